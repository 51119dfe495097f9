"""The pack: its bytes from whole numbers alone, the same under CPython and MicroPython.

An instant is `(ms, rows)`, a row `(name, unit, whole, decimals)`: the value is whole / 10**decimals, so no
float ever touches a time or a value. `ms` is absolute for the clocks `utc` and `drift`; for `none` it is
counted from the moment of sending, so zero or less. Names and units are those the node's settings were
checked for; nothing here escapes text. No annotation stands alone in a statement: MicroPython runs those.
"""

NODE_BYTES = 4096  # what a gauge node builds
NODE_RECORDS = 120
SIMULATED_BYTES = 16000  # what the simulated node builds, within what the collector takes
SIMULATED_RECORDS = 500


def num(whole: int, decimals: int) -> str:
    """The number whole / 10**decimals as JSON text, without needless zeros.

    whole is any whole number; decimals is 0 or more.
    """
    digits = str(abs(whole))
    if decimals > 0:
        digits = "0" * (decimals + 1 - len(digits)) + digits
        tail = digits[-decimals:].rstrip("0")
        digits = digits[:-decimals] + ("." + tail if tail else "")
    return "-" + digits if whole < 0 else digits


def pack_bytes(
    *,
    base_name: str,
    journal: str | None,
    first_seq: int,
    clock: str,
    instants: list[tuple[int, list[tuple[str, str, int, int]]]],
    limit_bytes: int = NODE_BYTES,
) -> bytes:
    """One pack of consecutive instants of one clock, the first of them numbered `first_seq`.

    A journal of None makes an untracked pack, without sequence numbers. Raises ValueError for no instant, an
    instant without rows, or a pack above `limit_bytes`.
    """
    if not instants or not all(rows for _, rows in instants):
        raise ValueError("pack: needs an instant, each with a reading, got none")
    base_s = _base_s(instants[0][0], clock)
    records = [_row(row) + _time(ms - 1000 * base_s) for ms, rows in instants for row in rows]
    head = _head((base_name, journal, first_seq, clock), base_s, len(records))
    payload = ("[{" + head + "},{".join(records) + "}]").encode()
    if len(payload) > limit_bytes:
        raise ValueError(f"pack: needs {limit_bytes} bytes or fewer, got {len(payload)}")
    return payload


def fitting(
    head: tuple[str, str | None, int, str],
    instants: list[tuple[int, list[tuple[str, str, int, int]]]],
    *,
    limit_bytes: int = NODE_BYTES,
    limit_records: int = NODE_RECORDS,
    newest: bool = False,
) -> int:
    """How many whole instants fit in one pack: the first of the list, or with `newest` the last of it.

    head is (base name, journal or None, sequence number of the first instant of the list, clock). All
    instants are of that clock. 0 when not even one fits.
    """
    sizes = [(ms, len(rows), _rows_bytes(rows)) for ms, rows in instants]
    best = 0
    for count in range(1, len(sizes) + 1):
        chosen = sizes[-count:] if newest else sizes[:count]
        if sum([records for _, records, _ in chosen]) > limit_records:
            break
        start = len(sizes) - count if newest else 0
        if _size((head[0], head[1], head[2] + start, head[3]), chosen) > limit_bytes:
            break
        best = count
    return best


def _size(head: tuple[str, str | None, int, str], chosen: list[tuple[int, int, int]]) -> int:
    base_s = _base_s(chosen[0][0], head[3])
    records = sum([rows for _, rows, _ in chosen])
    times = sum([rows * len(_time(ms - 1000 * base_s)) for ms, rows, _ in chosen])
    # two brackets, two braces a record, one comma between records
    frame = 2 + 3 * records - 1
    return frame + len(_head(head, base_s, records).encode()) + times + sum([body for _, _, body in chosen])


def _rows_bytes(rows: list[tuple[str, str, int, int]]) -> int:
    return sum([len(_row(row).encode()) for row in rows])


def _base_s(first_ms: int, clock: str) -> int:
    return 0 if clock == "none" else first_ms // 1000


def _head(head: tuple[str, str | None, int, str], base_s: int, records: int) -> str:
    base_name, journal, first_seq, clock = head
    text = f'"bn":"{base_name}",'
    if clock != "none":
        text += f'"bt":{base_s},'
    if journal is not None:
        text += f'"bjrn":"{journal}","bseq":{first_seq},"bcnt":{records},"bclk":"{clock}",'
    return text


def _row(row: tuple[str, str, int, int]) -> str:
    name, unit, whole, decimals = row
    return f'"n":"{name}","u":"{unit}","v":{num(whole, decimals)}'


def _time(offset_ms: int) -> str:
    return "" if offset_ms == 0 else f',"t":{num(offset_ms, 3)}'

"""What to send next: the newest instants that nobody has said are stored. Pure."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sensors.message.pack import NODE_BYTES, NODE_RECORDS, fitting, pack_bytes
from sensors.spool import Kept, Layout

Rows = list[tuple[str, str, int, int]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How hard a node may press: waits in seconds, sizes of a pack. The defaults are a real door's."""

    gap_s: float = 2.0
    first_retry_s: float = 5.0
    most_retry_s: float = 900.0
    resend_s: float = 300.0
    most_resend_s: float = 3600.0
    pack_bytes: int = NODE_BYTES
    pack_records: int = NODE_RECORDS

    def most_instants(self, channels: int) -> int:
        """How many instants of so many channels a pack can hold at most."""
        return max(1, self.pack_records // max(1, channels))


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """A pack ready to go, and the instants in it."""

    first: int
    last: int
    payload: bytes


def newest_chunk(
    instants: Sequence[Kept],
    layout_at: Callable[[int], tuple[int, Layout]],
    *,
    base_name: str,
    journal: str,
    pace: Pace,
    now_ms: int,
) -> Chosen | None:
    """The newest instants of one run that fit one pack: one clock, one layout, one power-up for clock `none`.

    instants: consecutive, rising. None when there is none, or when the newest does not fit by itself.
    """
    if not instants:
        return None
    newest = instants[-1]
    from_seq, layout = layout_at(newest.seq)
    alike = [each for each in instants if each.seq >= from_seq]
    for index in range(len(alike) - 1, -1, -1):
        if alike[index].clock != newest.clock or (
            newest.clock == "none" and alike[index].boot != newest.boot
        ):
            alike = alike[index + 1 :]
            break
    ready = [(_time(each, now_ms), _rows(each, layout)) for each in alike]
    head = (base_name, journal, alike[0].seq, newest.clock)
    count = fitting(head, ready, limit_bytes=pace.pack_bytes, limit_records=pace.pack_records, newest=True)
    if count == 0:
        return None
    first = alike[-count].seq
    payload = pack_bytes(
        base_name=base_name,
        journal=journal,
        first_seq=first,
        clock=newest.clock,
        instants=ready[-count:],
        limit_bytes=pace.pack_bytes,
    )
    return Chosen(first=first, last=newest.seq, payload=payload)


def _time(instant: Kept, now_ms: int) -> int:
    return min(instant.ms - now_ms, 0) if instant.clock == "none" else instant.ms


def _rows(instant: Kept, layout: Layout) -> Rows:
    return [(*layout[index][:2], whole, layout[index][2]) for index, whole in instant.values]

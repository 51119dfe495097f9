"""Packs read as columns: the same readings and instants as by the check of each, or none at all."""

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensors.message import columns
from sensors.message.check import Pack
from sensors.message.columns import FEWEST, Columns, columns_of
from sensors.message.fast import Table, fast, fast_table
from sensors.message.pack import pack_bytes
from sensors.message.plain import LEARN_AFTER
from tests.sensors.message.strategies import BASE, Instants, instants, near_packs
from tests.sensors.message.worlds import ARRIVAL_MS, DictWorld

LAW = settings(derandomize=True, database=None, deadline=None, max_examples=150)
CHANNELS = DictWorld().channels("saltmarsh-yard", "north") or {}
STEP_MS = 600_000
BEGIN_MS = ARRIVAL_MS - 1000 * STEP_MS


def pack(seq: int, some: Instants, clock: str = "utc") -> bytes:
    return pack_bytes(base_name=BASE, journal="7c1e90ab", first_seq=seq, clock=clock, instants=some)


def plain(seq: int, count: int = 1, *, value: int = 400000, begin_ms: int = BEGIN_MS) -> bytes:
    """A pack of two gauges at whole seconds."""
    rows = [("gap-lock-top", "/", value + seq, 6), ("air-rh", "%RH", 5000 + seq, 2)]
    return pack(seq, [(begin_ms + STEP_MS * (seq + step), rows) for step in range(count)])


def by_fast(payload: bytes, table: Table) -> Pack | None:
    return fast("saltmarsh-yard", "north", payload, ARRIVAL_MS, table)


def learned(*payloads: bytes) -> Table:
    """A table that knows the form of these packs, for each came so often."""
    table = fast_table(CHANNELS)
    for payload in payloads:
        for _ in range(LEARN_AFTER):
            by_fast(payload, table)
    return table


def rows_of(found: Columns) -> list[tuple[int | str, int, float]]:
    return [
        (channel, ms, value)
        for channel, values in zip(found.channels, found.values, strict=True)
        for ms, value in zip(found.ms, values, strict=True)
    ]


def check_law(payloads: list[bytes], table: Table) -> Columns | None:
    """The columns, once it is shown that each pack gives the same by itself."""
    found = columns_of(payloads, ARRIVAL_MS, table)
    if found is not None:
        packs = [by_fast(payload, table) for payload in payloads]
        assert all(packs), "the check of each must take what was taken"
        read = [one for one in packs if one]
        assert sorted(rows_of(found)) == sorted(row for one in read for row in one.readings)
        assert [*zip(found.seqs, found.ms, strict=True)] == [row for one in read for row in one.instants]
        assert {(found.journal, found.clock, ())} == {(one.journal, one.clock, one.stamped) for one in read}
        assert all(type(value) is float for _, _, value in rows_of(found))
    return found


@pytest.mark.parametrize("count", [1, 3], ids=["one instant each", "three"])
@pytest.mark.parametrize("packs", [1, FEWEST - 1, FEWEST, 40])
def test_plain_packs_are_taken(packs: int, count: int) -> None:
    table = learned(plain(1))
    found = check_law([plain(1 + count * number, count) for number in range(packs)], table)
    assert found is not None
    assert len(found.ms) == packs * count


def test_a_form_that_is_not_known_yet_is_left_to_the_check_of_each() -> None:
    assert columns_of([plain(1)] * FEWEST, ARRIVAL_MS, fast_table(CHANNELS)) is None


@st.composite
def streams(draw: st.DrawFn) -> tuple[list[bytes], Table]:
    """Packs of one form, each of one instant or of some, and the table that knows it."""
    drawn = draw(instants(absolute=True, most=2))
    own, clock = drawn[0][1], draw(st.sampled_from(["utc", "drift"]))
    count, packs = draw(st.integers(1, 3)), draw(st.integers(1, 2 * FEWEST))
    # whole seconds, or each instant at the same part of one, so that its form is another
    begin_ms = BEGIN_MS + draw(st.sampled_from([0, 250]))

    def one(number: int) -> bytes:
        seq = 1 + count * number
        rows = [(name, unit, whole + draw(st.integers(-3, 3)), k) for name, unit, whole, k in own]
        return pack(seq, [(begin_ms + STEP_MS * (seq + step), rows) for step in range(count)], clock)

    form = pack(1, [(begin_ms, own)], clock)
    return [one(number) for number in range(packs)], learned(form)


@LAW
@given(streams())
def test_law_on_packs_of_one_form(stream: tuple[list[bytes], Table]) -> None:
    check_law(*stream)


@LAW
@given(streams(), near_packs(), st.data())
def test_law_where_one_pack_is_odd(
    stream: tuple[list[bytes], Table], other: bytes, data: st.DataObject
) -> None:
    """One pack with a byte changed, without one, or another one altogether."""
    payloads, table = stream
    which = data.draw(st.integers(0, len(payloads) - 1))
    payload = payloads[which]
    at = data.draw(st.integers(0, len(payload) - 1))
    sign = data.draw(st.sampled_from(list(b'0123456789-+.eE:,"{}_ \\\n]')))
    changed = payload[:at] + bytes((sign,)) + payload[at + 1 :]
    for odd in (changed, payload[:at] + payload[at + 1 :], payload + b"\n", b"\n" + payload, other):
        check_law([*payloads[:which], odd, *payloads[which + 1 :]], table)


ODD: dict[str, Callable[[bytes], bytes]] = {
    "two lines in a pack": lambda pack: pack.replace(b"},{", b"},\n{"),
    "something before": lambda pack: b" " + pack,
    "a pack twice in one": lambda pack: pack + b"\n" + pack,
    "a count that is wrong": lambda pack: pack.replace(b'"bcnt":2', b'"bcnt":3'),
    "a number below one": lambda pack: pack.replace(b'"bseq":5', b'"bseq":0'),
    "a number beyond": lambda pack: pack.replace(b'"bseq":5', b'"bseq":9007199254740992'),
    "a value beyond": lambda pack: pack.replace(b'"v":50.05', b'"v":110.01'),
    "a value below": lambda pack: pack.replace(b'"v":50.05', b'"v":-10.01'),
    "a value without end": lambda pack: pack.replace(b'"v":50.05', b'"v":' + b"9" * 5000),
    "a time before 2020": lambda _pack: plain(5, begin_ms=0),
    "a time to come": lambda _pack: plain(5, begin_ms=ARRIVAL_MS + 300_001),
    "another journal": lambda pack: pack.replace(b"7c1e90ab", b"7c1e90ac"),
    "too large": lambda pack: pack.ljust(16385),
}


@pytest.mark.parametrize("name", ODD)
@pytest.mark.parametrize("packs", [3, FEWEST], ids=["each", "in one pass"])
def test_one_that_is_unusual_leaves_all_to_the_check_of_each(name: str, packs: int) -> None:
    payloads, table = [plain(1 + number) for number in range(packs)], learned(plain(1))
    assert check_law(payloads, table) is not None
    odd = ODD[name](plain(5))
    assert odd != plain(5)
    assert columns_of([*payloads[:-1], odd], ARRIVAL_MS, table) is None


def test_two_packs_in_one_do_not_stand_for_one_that_is_none() -> None:
    payloads, table = [plain(1 + number) for number in range(FEWEST)], learned(plain(1))
    assert check_law([b"\n".join(payloads[:2]), b"{}", *payloads[2:]], table) is None


def test_two_instants_at_one_moment_are_left_to_the_check_of_each() -> None:
    payload, table = plain(1, 3), learned(plain(1))
    assert columns_of([payload], ARRIVAL_MS, table) is not None
    assert columns_of([payload.replace(b'"t":1200', b'"t":600')], ARRIVAL_MS, table) is None


def test_the_first_to_arrive_says_what_lies_ahead() -> None:
    table, ahead = learned(plain(1)), plain(1, begin_ms=ARRIVAL_MS - STEP_MS)
    assert columns_of([ahead], ARRIVAL_MS - 300_000, table) is not None
    assert columns_of([ahead], ARRIVAL_MS - 300_001, table) is None


def test_numbers_are_the_same_without_the_quicker_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    import json

    payloads, table = [plain(1 + number, value=number - 3) for number in range(FEWEST)], learned(plain(1))
    one = columns_of(payloads, ARRIVAL_MS, table)
    monkeypatch.setattr(columns, "_loads", json.loads)
    assert one == columns_of(payloads, ARRIVAL_MS, table)

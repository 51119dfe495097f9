"""What goes next: one clock, one layout, whole instants, within the pack's size."""

import json

import pytest

from sensors.publisher.choose import Pace, newest_chunk
from sensors.spool import Kept, Layout

START_MS = 1_767_268_200_000
OLD: Layout = (("air-temp", "Cel", 2),)
NEW: Layout = (("air-temp", "Cel", 1), ("gap", "/", 6))


def kept(seq: int, *, clock: str = "utc", boot: int = 1, channels: int = 1) -> Kept:
    values = tuple((index, 800 + seq) for index in range(channels))
    return Kept(seq=seq, ms=START_MS + 600_000 * seq, clock=clock, boot=boot, values=values)


def layout_at(seq: int) -> tuple[int, Layout]:
    return (1, OLD) if seq < 5 else (5, NEW)


def chosen(
    instants: list[Kept], *, pace: Pace | None = None, now_ms: int = START_MS
) -> list[dict[str, object]]:
    chunk = newest_chunk(
        instants,
        layout_at,
        base_name="saltmarsh-yard/north/",
        journal="7c1e90ab",
        pace=pace or Pace(),
        now_ms=now_ms,
    )
    records: list[dict[str, object]] = json.loads(chunk.payload) if chunk else []
    return records


def test_nothing_of_nothing() -> None:
    assert chosen([]) == []


@pytest.mark.parametrize(
    ("instants", "first", "count"),
    [
        ([kept(1), kept(2), kept(3)], 1, 3),
        ([kept(1), kept(2, clock="drift"), kept(3, clock="drift")], 2, 2),
        ([kept(3), kept(4), kept(5), kept(6)], 5, 2),
        ([kept(1, clock="none"), kept(2, clock="none", boot=2), kept(3, clock="none", boot=2)], 2, 2),
        ([kept(1, boot=1), kept(2, boot=2)], 1, 2),
    ],
    ids=["all alike", "another clock", "another layout", "another power-up without a clock", "with a clock"],
)
def test_only_what_is_alike_goes_together(instants: list[Kept], first: int, count: int) -> None:
    records = chosen(instants)
    assert (records[0]["bseq"], records[0]["bcnt"]) == (first, count)


def test_values_are_written_with_the_decimals_of_their_time() -> None:
    assert [record["v"] for record in chosen([kept(4)])] == [8.04]
    assert [record["v"] for record in chosen([kept(5, channels=2)])] == [80.5, 0.000805]


def test_without_a_clock_times_count_back_from_now() -> None:
    records = chosen([kept(1, clock="none"), kept(2, clock="none")], now_ms=START_MS + 1_260_500)
    assert [record["t"] for record in records] == [-660.5, -60.5]
    assert "bt" not in records[0]


def test_an_instant_that_does_not_fit_by_itself_is_not_split() -> None:
    assert chosen([kept(5, channels=2)], pace=Pace(pack_records=1)) == []


def test_a_pack_holds_no_more_instants_than_records_allow() -> None:
    assert (Pace().most_instants(18), Pace().most_instants(0), Pace().most_instants(500)) == (6, 120, 1)

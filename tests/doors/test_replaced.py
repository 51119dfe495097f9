"""What is said of a gauge that replaced another."""

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.replaced import Replaced, replaced_of, said
from server.doors.versions import GaugeZero, KeptLine, Overlap, Version

BUILT = read_door(example_text("north"), where="north.toml").built
GAUGES = tuple(
    replace(one, channel="sill-new", replaces="sill-latch") if one.channel == "sill-latch" else one
    for one in BUILT.gauges
)
DAY_MS = 86_400_000
TIED = Overlap(replaces="sill-latch", days=7, by_mm=0.3, sd_mm=0.0042)


def versions(tied: Overlap | None, *, is_drawn: bool = True) -> tuple[Version, ...]:
    zero = GaugeZero(zero_mm=8.0, spread_mm=0.01, calibration=None, tied=tied)
    line = KeptLine(
        because="drawn", start_day=20_501, stop_day=20_515, good_days=14, since_heard=False,
        gauges={"sill-new": zero}, moisture_pct=None, temp_c=None, rh_pct=None,
        drawn=datetime(2026, 3, 1, tzinfo=UTC),
    )  # fmt: skip
    first = Version(from_ms=20_000 * DAY_MS, because="hung", built=BUILT)
    now = Version(
        from_ms=20_500 * DAY_MS,
        because="gauge-moved",
        built=replace(BUILT, gauges=GAUGES),
        moved=("sill-new",),
        line=line if is_drawn else None,
    )
    # A gauge that replaced another says so for good; it did it once.
    return first, now, replace(now, from_ms=20_600 * DAY_MS, because="rehung", moved=())


@pytest.mark.parametrize(
    ("made", "part"),
    [
        (
            versions(TIED),
            "is tied to it over 7 days on which both read, to 0.004 mm (sd): its series goes on",
        ),
        (versions(None, is_drawn=False), "leave sill-latch in place for 7 days more, so that both read"),
        (versions(None), "is not tied to it, since on 0 days alone did both read"),
        (versions(replace(TIED, days=1, by_mm=None, sd_mm=None)), "since on 1 day alone did both read"),
        (versions(replace(TIED, by_mm=None, sd_mm=None)), "since the two did not read alike"),
    ],
)
def test_it_is_said_whether_it_is_tied(made: tuple[Version, ...], part: str) -> None:
    (one,) = replaced_of(made)
    assert (one.new, one.old, one.on) == ("sill-new", "sill-latch", date(2026, 2, 16))
    assert said(one).startswith("sill-new replaces sill-latch")
    assert part in said(one)


def test_a_gauge_that_is_new_replaces_none() -> None:
    first, now, _ = versions(TIED)
    gauges = tuple(replace(one, replaces=None) for one in now.built.gauges)
    assert replaced_of((first, replace(now, built=replace(BUILT, gauges=gauges)))) == ()
    assert isinstance(replaced_of(versions(TIED))[0], Replaced)

"""What findings share."""

from dataclasses import replace

import numpy as np
import pytest

from server.doors.built import BuiltDoor
from server.doors.versions import Version
from server.inspection.found import told
from server.inspection.line import Line
from server.inspection.seen import Seen
from tests.inspection.doors import HUNG_DAY, Truth, hung, made_inputs, missing
from tests.inspection.found.seeing import seen_in, seen_of, served


def built_with(*units: str) -> BuiltDoor:
    door = hung().built
    kinds = {"ref": "ref"}
    gauges = tuple(
        replace(
            door.gauges[0], channel=f"g{k}", kind=kinds.get(unit, "head"), unit="/" if unit == "ref" else unit
        )
        for k, unit in enumerate(units)
    )
    return replace(door, gauges=gauges)


@pytest.mark.parametrize(
    ("units", "chosen", "rests_on"),
    [
        (("/", "ref"), ["g0"], ("north/g0", "north/g1")),
        (("m", "ref"), ["g0"], ("north/g0",)),
        (("/", "m"), ["g1", "g0"], ("north/g0", "north/g1")),
        (("/", "ref"), ["g1"], ("north/g1",)),
        (("/", "ref"), [], ()),
    ],
)
def test_a_potentiometer_rests_on_the_reference_too(
    units: tuple[str, ...], chosen: list[str], rests_on: tuple[str, ...]
) -> None:
    assert told.with_ref(built_with(*units), chosen) == rests_on


def test_one_left_out_of_an_inversion_is_not_rested_on() -> None:
    inputs = made_inputs(Truth(years=0.25))
    last = inputs.last_ended
    silent = seen_in(missing(inputs, last - 6, last + 1, gauges=("head-latch",)))
    just = seen_in(missing(inputs, last - 5, last + 1, gauges=("head-latch",)))
    unread = seen_in(missing(inputs, 0, 40, gauges=("head-latch",)))
    assert ["north/head-latch" in told.rests_on(seen, ["droop"]) for seen in (silent, just, unread)] == [
        False,
        True,
        False,
    ]


@pytest.mark.parametrize(("ago", "fresh"), [(0, True), (6, True), (7, False)])
def test_fresh(ago: int, *, fresh: bool) -> None:
    seen = seen_of()
    last = HUNG_DAY + seen.inputs.last_ended - ago
    assert told.is_fresh(seen, served(seen, "droop", None, last_day=last).looks["droop"]) is fresh


def test_days_and_medians() -> None:
    inputs = made_inputs(Truth(years=30.5 / 365.25))
    assert inputs.last_ended == 29
    assert inputs.day[told.last_days(inputs, 3)].tolist() == [27, 28, 29]
    assert inputs.day[told.last_days(inputs, 3, back=14)].tolist() == [13, 14, 15]
    later = replace(inputs, end_day=HUNG_DAY + 32)
    assert inputs.day[told.last_days(later, 3)].tolist() == [29]
    assert np.isnan(told.last_value(later, inputs.temp_c))
    value = np.array([1.0, np.nan, 3.0, 5.0, 7.0])
    assert told.median_of(value, np.ones(5, dtype=bool)) == 4.0
    assert told.median_of(value, value != 7.0) is None


def test_days_as_text() -> None:
    assert (told.day_text(18_688), told.day_number("2021-03-02")) == ("2021-03-02", 18_688)
    assert told.day_number("soon") is None


@pytest.mark.parametrize(
    ("alarms", "said"),
    [((True, None), True), ((False, False), False), ((None, False), None), ((None, None), None), ((), None)],
)
def test_alarm(alarms: tuple[bool | None, ...], said: bool | None) -> None:
    looks = [replace(seen_of().looks["droop"], facts={"alarm": alarm}) for alarm in alarms]
    assert told.alarm_of(looks) is said


def test_a_gauge_untouched_by_a_change_keeps_its_zero() -> None:
    inputs = made_inputs(Truth(years=0.25))
    first = Version(from_ms=HUNG_DAY * 86_400_000, because="hung", built=inputs.door.built)
    moved = Version(
        from_ms=(HUNG_DAY + 50) * 86_400_000,
        because="gauge-moved",
        built=inputs.door.built,
        moved=("head-latch",),
    )
    lines = [
        Line(
            kind="hung", start=14, stop=28, since_heard=False, zero_mm={"head-latch": one, "sill-latch": one}
        )
        for one in (1.0, 2.0)
    ]
    door = replace(inputs.door, versions=(first, moved))
    line = replace(lines[0], each=tuple(lines))
    seen = Seen(inputs=replace(inputs, door=door), line=line, looks={})
    assert (told.zero_mm(seen, "head-latch"), told.zero_mm(seen, "sill-latch")) == (2.0, 1.0)
    rehung = replace(door, versions=(first, replace(moved, because="rehung", moved=())))
    assert told.zero_mm(replace(seen, inputs=replace(inputs, door=rehung)), "sill-latch") == 2.0
    assert told.zero_mm(replace(seen, line=None), "sill-latch") is None

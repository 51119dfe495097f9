"""What a door's gauges tell today, and why not."""

from dataclasses import replace

import pytest

from server.doors.built import Gauge
from server.inspection.line import drawn_line
from server.inspection.moisture import moisture_of
from server.inspection.spans import trended_gauges
from server.inspection.telling import NO_LINE, Telling, tellings
from server.inspection.values import DoorInputs
from server.joinery.telling import HEAD_DROPS, LEANS, NO_GAUGES, TILT_ALONE
from tests.inspection.changed import changed
from tests.inspection.doors import Truth, hung, made_inputs, missing, one_joint

TRUTH = Truth(years=0.4)


def told(inputs: DoorInputs) -> dict[str, Telling]:
    line = drawn_line(inputs, trended_gauges(inputs.door.built))
    return {one.name: one for one in tellings(inputs, line, moisture_of(inputs, line))}


def edges(kind: str, *, without: tuple[str, ...] = ()) -> DoorInputs:
    built = hung().built
    gauges = tuple(one for one in built.gauges if one.kind != "diag" and one.channel not in without)
    return made_inputs(
        TRUTH, hung(built=replace(built, gauges=gauges, opening=replace(built.opening, kind=kind)))
    )


def test_a_kit_that_tells_all() -> None:
    found = told(made_inputs(TRUTH))
    assert {name: (one.verdict, one.reason) for name, one in found.items()} == dict.fromkeys(
        ("droop", "sag", "rack"), ("usable", "")
    )
    assert all(one.sd_mm is not None and 0 < one.sd_mm <= 0.075 for one in found.values())


@pytest.mark.parametrize(("kind", "reason"), [("leans", LEANS), ("head_drops", HEAD_DROPS)])
def test_edge_gaps_alone(kind: str, reason: str) -> None:
    found = told(edges(kind, without=("sill-latch",)))
    assert found["sag"].verdict == "usable"
    for name in ("rack", "droop"):
        assert found[name].verdict == "not_told"
        assert found[name].reason.startswith(reason)


def test_tilt_alone_is_refused_with_its_sentence() -> None:
    built = hung().built
    air = tuple(one for one in built.gauges if one.kind.startswith("air"))
    tilt = Gauge(channel="tilt-stile", kind="tilt", unit="rad", on="stile", sd_mm=0.0005)
    inputs = made_inputs(TRUTH, hung(built=replace(built, gauges=(*air, tilt))))
    assert {(one.verdict, one.reason) for one in told(inputs).values()} == {("not_told", TILT_ALONE)}


def test_no_gauge_and_no_line() -> None:
    assert {one.reason for one in told(made_inputs(TRUTH, one_joint())).values()} == {NO_GAUGES}
    assert {one.reason for one in told(missing(made_inputs(TRUTH), 0, 400)).values()} == {NO_LINE}


def test_gauges_that_went_silent_are_not_counted() -> None:
    """On the last day the diagonals have no reading: what is told is what the others tell that day."""
    built = hung().built
    door = hung(built=replace(built, opening=replace(built.opening, kind="leans")))
    inputs = made_inputs(TRUTH, door)
    silent = missing(inputs, int(inputs.day[-1]), 400, gauges=("diag-fall", "diag-rise"))
    assert told(inputs)["rack"].verdict == "usable"
    assert told(silent)["rack"].reason.startswith(LEANS)


def test_the_day_after_a_change_says_nothing_of_the_door_before_it() -> None:
    built = hung().built
    wider = replace(built, opening=replace(built.opening, gap_latch_mm=5.0))
    last = int(made_inputs(TRUTH).day[-1])
    door = changed(hung(), last, "rehung", built=wider)
    inputs = replace(made_inputs(TRUTH, replace(door, built=built)), door=door)
    assert {one.verdict for one in told(inputs).values()} == {"not_told"}

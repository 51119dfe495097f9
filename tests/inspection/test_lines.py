"""The hung line is fixed on the night it is drawn; what would change it later is seen."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from sqlalchemy import delete, update
from sqlalchemy.orm import Session

from server.doors.changes import Change, change_door
from server.doors.register import DoorHung, find_door
from server.doors.replaced import replaced_of
from server.doors.versions import KeptLine, lines_of
from server.inspection.line import Line, drawn_line
from server.inspection.lines import fixed, keep_lines
from server.inspection.moisture import moisture_of
from server.inspection.reading import gather
from server.inspection.spans import trended_gauges
from server.inspection.values import DoorInputs, GaugeDays
from server.readings.calibration import CalibrationRecord, add
from server.readings.tables import DayShut
from tests.fakes.clock import HandClock
from tests.inspection.doors import HUNG, HUNG_DAY, Truth, made_inputs
from tests.inspection.replaced import DAY, replaced
from tests.inspection.stored import store, stored_door

TRUTH = Truth(years=0.2)
TOP = "lock-hinge-top"


def night(session: Session, days: int) -> DoorInputs:
    return gather(session, find_door(session, "north"), HUNG_DAY + days)


def line_of(inputs: DoorInputs) -> Line:
    return drawn_line(inputs, trended_gauges(inputs.door.built))


def kept(session: Session, door: DoorHung) -> tuple[KeptLine, ...]:
    return lines_of(session, door.versions[0].id)


def shift(session: Session, door: DoorHung, by_mm: float, *, to_day: int = 1000) -> None:
    """Readings that came late, or are calibrated otherwise, move the medians up to a day since hanging."""
    mine = (DayShut.channel_id == door.channels[TOP].id) & (DayShut.day < HUNG_DAY + to_day)
    session.execute(update(DayShut).where(mine).values(median=DayShut.median + by_mm))
    session.flush()


def test_fixed_on_its_night_with_the_wood_and_air_of_its_days(session: Session, clock: HandClock) -> None:
    door = stored_door(session, TRUTH)
    assert keep_lines(session, night(session, 27), now=clock()) == ()
    inputs = night(session, 28)
    (one,) = keep_lines(session, inputs, now=clock())
    drawn, moisture = line_of(inputs), moisture_of(inputs, line_of(inputs))
    assert moisture is not None
    assert (one.because, one.start_day - HUNG_DAY, one.stop_day - HUNG_DAY) == ("drawn", 14, 28)
    assert (one.good_days, one.since_heard, one.drawn) == (14, False, clock())
    assert {name: zero.zero_mm for name, zero in one.gauges.items()} == drawn.zero_mm
    # Half of the gauge's sd was put into its days; 14 of them tell it within a half.
    assert one.gauges[TOP].spread_mm == pytest.approx(0.0018, rel=0.6)
    assert one.moisture_pct == pytest.approx(float(moisture.pct[14:28].mean()))
    assert one.temp_c == pytest.approx(float(inputs.temp_c[14:28].mean()))
    assert one.rh_pct == pytest.approx(float(inputs.rh_pct[14:28].mean()))
    assert kept(session, door) == (one,)


def test_once_fixed_it_is_fixed(session: Session, clock: HandClock) -> None:
    door = stored_door(session, TRUTH)
    for days in (28, 29, 40, 28):
        keep_lines(session, night(session, days), now=clock())
    assert len(kept(session, door)) == 1


def test_late_readings_are_seen_to_move_it_and_do_not(session: Session, clock: HandClock) -> None:
    door = stored_door(session, TRUTH)
    keep_lines(session, night(session, 28), now=clock())
    before = line_of(night(session, 60))
    assert (before.kept, before.shifted_mm) == (True, {})
    shift(session, door, 0.04, to_day=28)
    after = line_of(night(session, 60))
    assert after.zero_mm == before.zero_mm
    assert after.shifted_mm == {TOP: pytest.approx(0.04)}
    assert keep_lines(session, night(session, 60), now=clock()) == ()


def test_a_new_calibration_makes_a_line_of_its_own_and_leaves_the_first(
    session: Session, clock: HandClock
) -> None:
    door = stored_door(session, TRUTH)
    (first,) = keep_lines(session, night(session, 28), now=clock())
    record = CalibrationRecord(
        channel="saltmarsh-yard/north/lock-hinge-top",
        from_ms=round(HUNG.timestamp() * 1000),
        kind="linear",
        coefficients=((0.0, 5.0),),
        unit_out="mm",
        sigma=0.002,
    )
    calibration = add(session, door.channels[TOP].id, record, now=clock)
    shift(session, door, 0.25)
    clock.advance(timedelta(days=3))
    (second,) = keep_lines(session, night(session, 60), now=clock())
    assert (second.because, second.drawn) == ("calibrated", clock())
    assert (second.start_day, second.stop_day) == (first.start_day, first.stop_day)
    assert second.gauges[TOP].calibration == calibration
    assert second.gauges[TOP].zero_mm == pytest.approx(first.gauges[TOP].zero_mm + 0.25)
    others = set(first.gauges) - {TOP}
    assert all(second.gauges[name] == first.gauges[name] for name in others)
    assert kept(session, door) == (first, second)
    assert line_of(night(session, 60)).shifted_mm == {}


def test_an_earlier_night_does_not_know_it_yet(session: Session, clock: HandClock) -> None:
    stored_door(session, TRUTH)
    keep_lines(session, night(session, 28), now=clock())
    early = line_of(night(session, 20))
    assert (early.kind, early.kept) == ("first", False)


def test_not_while_older_readings_are_coming_in(session: Session, clock: HandClock) -> None:
    stored_door(session, TRUTH)
    inputs = night(session, 28)
    busy = replace(inputs, door=replace(inputs.door, node_status='{"pend": 300}'))
    assert keep_lines(session, busy, now=clock()) == ()
    assert keep_lines(session, replace(inputs, day=inputs.day[:0]), now=clock()) == ()


def part(whole: DoorInputs, days: slice) -> DoorInputs:
    gauges = {name: GaugeDays(median=one.median[days], n=one.n[days]) for name, one in whole.gauges.items()}
    return replace(
        whole,
        day=whole.day[days],
        gauges=gauges,
        temp_c=whole.temp_c[days],
        rh_pct=whole.rh_pct[days],
    )


def test_older_readings_that_come_later_draw_it_where_it_belongs(session: Session, clock: HandClock) -> None:
    """A box whose first months came after all the rest: counted from hanging again, and both are kept."""
    whole = made_inputs(Truth(years=0.6))
    door = stored_door(session, Truth(years=0.1, first_day=100))
    store(session, door, part(whole, slice(100, None)))
    (first,) = keep_lines(session, night(session, 200), now=clock())
    assert (first.since_heard, first.start_day - HUNG_DAY) == (True, 114)
    store(session, door, part(whole, slice(0, 100)))
    inputs = fixed(session, night(session, 200), now=clock())
    line = line_of(inputs)
    assert (line.kept, line.start, line.since_heard) == (True, 14, False)
    assert [one.because for one in kept(session, door)] == ["drawn", "older readings"]
    assert keep_lines(session, inputs, now=clock()) == ()


OLD, NEW = "sill-latch", "sill-latch-new"


def replaced_door(session: Session, clock: HandClock, overlap_days: int) -> DoorHung:
    """A door in the store whose gauge at the sill was replaced, both read for so many days after."""
    truth = Truth(years=0.5)
    door, inputs = stored_door(session, truth), replaced(truth, OLD)
    on: date = (HUNG + timedelta(days=DAY)).date()
    built = replace(inputs.door.built, hung=door.hung)
    after = change_door(session, door, built, Change(because="gauge-moved", on=on), now=clock())
    unknown = np.full(inputs.day.size, np.nan)
    store(session, after, replace(inputs, gauges={NEW: inputs.gauges[NEW]}, temp_c=unknown, rh_pct=unknown))
    off = DayShut.day > HUNG_DAY + DAY + overlap_days
    session.execute(delete(DayShut).where(off & (DayShut.channel_id == after.past_channels[OLD].id)))
    session.flush()
    return after


@pytest.mark.parametrize(("overlap_days", "tied"), [(7, True), (2, False)])
def test_what_a_new_gauge_was_tied_to_is_fixed_with_its_line(
    session: Session, clock: HandClock, overlap_days: int, *, tied: bool
) -> None:
    door = replaced_door(session, clock, overlap_days)
    assert [one.overlap for one in replaced_of(find_door(session, door.ref).versions)] == [None]
    for days in (28, DAY + 14, DAY + 15):
        keep_lines(session, night(session, days), now=clock())
    (one,) = lines_of(session, find_door(session, door.ref).versions[1].id)
    found = one.gauges[NEW].tied
    assert found is not None
    assert (found.replaces, found.days, found.by_mm is not None) == (OLD, overlap_days, tied)
    before = line_of(night(session, DAY + 60)).each[1]
    assert (before.kept, before.is_tied(NEW)) == (True, tied)
    assert before.zero_mm[NEW] == one.gauges[NEW].zero_mm
    # Readings of the old one that come late show what they would change, and change nothing.
    mine = DayShut.channel_id == door.past_channels[OLD].id
    session.execute(
        update(DayShut).where(mine, DayShut.day > HUNG_DAY + DAY).values(median=DayShut.median - 0.5)
    )
    after = line_of(night(session, DAY + 60)).each[1]
    assert after.zero_mm == before.zero_mm
    assert (NEW in after.shifted_mm) is tied
    assert [one.overlap for one in replaced_of(find_door(session, door.ref).versions)] == [found]

"""Moisture of the leaf under its own air."""

from dataclasses import replace

import numpy as np
import pytest

from server.inspection.line import drawn_line
from server.inspection.moisture import Start, moisture_of, start_of
from server.inspection.moved import moved_in
from server.inspection.spans import spans_of
from server.inspection.values import DoorInputs
from tests.inspection.changed import changed
from tests.inspection.doors import Truth, hung, made_inputs, one_gauge

INPUTS = made_inputs(Truth(years=2.0), one_gauge())
LINE = drawn_line(INPUTS, ("droop",))


def test_change_counts_from_the_line() -> None:
    found = moisture_of(INPUTS, LINE)
    assert found is not None
    assert found.change_pct[14:28].mean() == pytest.approx(0.0, abs=1e-9)
    assert found.pct[400] - found.pct[14:28].mean() == pytest.approx(found.change_pct[400])


def test_steady_air_ends_at_its_own_equilibrium() -> None:
    days = INPUTS.day.size
    steady = replace(INPUTS, temp_c=np.full(days, 20.0), rh_pct=np.full(days, 65.0))
    found = moisture_of(steady, LINE)
    assert found is not None
    # Wood Handbook FPL-GTR-282, table 4-2: 12.0 % at 65 % and about 20 degC (21.1 degC there).
    assert found.pct[-1] == pytest.approx(12.0, abs=0.15)


def test_doubt_of_the_start_fades() -> None:
    found = moisture_of(INPUTS, LINE)
    assert found is not None
    assert found.start_doubt_pct[0] < 2.0
    assert found.start_doubt_pct[-1] == pytest.approx(found.start_doubt_pct[-30], abs=1e-3)
    assert found.start_doubt_pct[20] < 0.1


def test_without_air_nothing_is_known() -> None:
    gone = replace(INPUTS, rh_pct=np.full(INPUTS.day.size, np.nan))
    assert moisture_of(gone, LINE) is None


def test_a_long_gap_is_not_known() -> None:
    damp = INPUTS.rh_pct.copy()
    damp[300:340] = np.nan
    found = moisture_of(replace(INPUTS, rh_pct=damp), LINE)
    assert found is not None
    assert np.isnan(found.change_pct[320])
    assert np.isfinite(found.change_pct[303])


def metered(pct: float, sd_pct: float, *, years: float = 2.0, first_day: int = 0) -> DoorInputs:
    made = one_gauge()
    built = replace(made.built, moisture_at_hanging_pct=pct, moisture_at_hanging_sd_pct=sd_pct)
    return made_inputs(Truth(years=years, first_day=first_day), replace(made, built=built))


def test_the_slab_starts_at_what_the_meter_read() -> None:
    """By hand: steady air, so that only the start is left, and of that less each day."""
    steady = metered(16.0, 0.7)
    days = steady.day.size
    air = replace(steady, temp_c=np.full(days, 20.0), rh_pct=np.full(days, 65.0))
    found, plain = moisture_of(air, LINE), moisture_of(replace(air, door=one_gauge()), LINE)
    assert found is not None
    assert plain is not None
    assert plain.pct[0] == pytest.approx(plain.pct[-1], abs=1e-9)
    more = found.pct - plain.pct
    # The slowest mode has 60 days at 20 degC and all but a fortieth of the start.
    assert more[0] == pytest.approx(16.0 - plain.pct[0], rel=0.05)
    assert more[60] / more[0] == pytest.approx(np.exp(-1), rel=0.03)
    assert abs(more[-1]) < 1e-3
    assert found.start_doubt_pct == pytest.approx(plain.start_doubt_pct * 0.7 / 2.0)


def test_without_a_reading_the_start_is_known_to_two_per_cent() -> None:
    """Source: joinery, section 7: s = 1 % where it was read by meter, else 2 %."""
    assert start_of(INPUTS, 0) == Start(pct=None, sd_pct=2.0)
    assert start_of(metered(12.5, 1.0), 0) == Start(pct=12.5, sd_pct=1.0)


def test_a_reading_is_of_a_record_that_begins_when_it_was_taken() -> None:
    late = metered(16.0, 1.0, first_day=15)
    assert start_of(late, 14).pct == 16.0
    assert start_of(late, 15) == start_of(late, None) == Start(pct=None, sd_pct=2.0)


def test_a_reading_put_in_later_is_of_the_day_of_hanging() -> None:
    door = one_gauge()
    built = replace(door.built, moisture_at_hanging_pct=13.0, moisture_at_hanging_sd_pct=1.0)
    later = replace(INPUTS, door=changed(door, 300, "repaired", built=built))
    assert start_of(later, 0).pct == 13.0


KIT_A = ("head-hinge", "head-latch", "latch-bottom", "latch-top")


def droop_told(sd_pct: float | None) -> tuple[float, float]:
    """Of the days after the line, on how many kit A's droop may be judged, and is told at all."""
    whole = hung()
    kept = tuple(one for one in whole.built.gauges if one.channel in (*KIT_A, "air-temp", "air-rh"))
    built = replace(
        whole.built,
        gauges=kept,
        moisture_at_hanging_pct=None if sd_pct is None else 12.0,
        moisture_at_hanging_sd_pct=sd_pct,
    )
    inputs = made_inputs(Truth(years=1.5), hung(built=built))
    line = drawn_line(inputs, KIT_A)
    (part,) = moved_in(inputs, spans_of(inputs), line.each, moisture_of(inputs, line))
    told = np.array(part.movement.told("droop"))[inputs.day > 60]
    return float((told == "usable").mean()), float((told != "not_told").mean())


def test_kit_a_s_droop_is_judged_once_its_start_was_read() -> None:
    """Source: joinery, section 9: usable in a rigid opening, up to 2.2 % from the hung moisture."""
    unread, usual, good = (droop_told(sd_pct) for sd_pct in (None, 1.0, 0.5))
    # Unread, only in the first weeks after the line, while little of the start has left the wood.
    assert unread[0] < 0.15
    assert usual[0] > 0.3
    assert good[0] > 0.9
    assert unread[1] < usual[1] == good[1] == 1.0

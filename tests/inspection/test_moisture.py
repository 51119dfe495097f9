"""Moisture of the leaf under its own air."""

from dataclasses import replace

import numpy as np
import pytest

from server.inspection.line import drawn_line
from server.inspection.moisture import moisture_of
from tests.inspection.doors import Truth, made_inputs, one_gauge

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

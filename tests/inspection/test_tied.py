"""A gauge that replaces another is tied to it over the days on which both read, and the series goes on."""

import numpy as np
import pytest

from server.inspection.line import Line, drawn_line
from server.inspection.moisture import moisture_of
from server.inspection.series import DaySeries, made_series
from server.inspection.spans import spans_of, trended_gauges
from server.inspection.tied import overlaps
from server.inspection.values import DoorInputs
from tests.inspection.doors import Truth, made_inputs
from tests.inspection.replaced import DAY, replaced

TRUTH = Truth(
    years=0.7, droop_mm_per_year=0.6, turn_mrad_per_year=0.5, opening_mm_per_year=0.2, season_mm=0.4
)
WHOLE = made_inputs(TRUTH)


def line_of(inputs: DoorInputs) -> Line:
    return drawn_line(inputs, trended_gauges(inputs.door.built))


def series(inputs: DoorInputs) -> dict[str, DaySeries]:
    line = line_of(inputs)
    return {one.key: one for one in made_series(inputs, line, moisture_of(inputs, line))}


def test_it_reads_more_by_what_was_put_in() -> None:
    (found,) = overlaps(inputs := replaced(TRUTH, "sill-latch"), spans_of(inputs)).values()
    assert (found.replaces, found.days) == ("sill-latch", 7)
    assert found.by_mm is not None
    assert found.sd_mm is not None
    # Two gauges of 0.015 mm a day: the median of seven differences is good to about 0.01 mm.
    assert found.by_mm == pytest.approx(1.37, abs=0.03)
    assert 0.002 < found.sd_mm < 0.03


def test_its_zero_is_what_it_would_have_read_at_the_old_one_s() -> None:
    line = line_of(inputs := replaced(TRUTH, "sill-latch"))
    first, last = line.each
    assert last.is_tied("sill-latch-new")
    by_mm = last.zero_mm["sill-latch-new"] - first.zero_mm["sill-latch"]
    assert by_mm == pytest.approx(last.tied["sill-latch-new"].by_mm, abs=1e-12)
    # Its own readings on its own days moved since: it was not zeroed on them.
    later = inputs.gauges["sill-latch-new"].median[DAY + 1 : DAY + 15]
    assert abs(np.median(later) - last.zero_mm["sill-latch-new"]) > 0.05


@pytest.mark.parametrize(
    ("old", "key", "within"),
    [
        ("sill-latch", "droop", 0.03),
        ("diag-fall", "rack", 0.03),
        ("lock-hinge-top", "turn:lock-hinge", 0.03),
        ("lock-hinge-top", "opening:lock-hinge", 0.004),
    ],
)
def test_a_series_goes_on_as_if_it_had_never_been_replaced(old: str, key: str, within: float) -> None:
    found, whole = series(replaced(TRUTH, old))[key], series(WHOLE)[key]
    later = slice(DAY + 1, None)
    off = found.value[later] - whole.value[later]
    assert np.isfinite(off).all()
    assert abs(np.median(off)) < within
    # Nothing was set anew, so no step is asked of it that would take growth away.
    assert (found.facts.declared_steps, found.facts.rezeroed) == ((), ())


def test_the_gap_s_own_series_goes_on_under_the_new_name() -> None:
    found, whole = series(replaced(TRUTH, "sill-latch")), series(WHOLE)
    assert "gap:sill-latch" not in found
    new = found["gap:sill-latch-new"]
    kept = np.isfinite(new.value)
    assert kept.sum() == kept.size - 1
    assert abs(np.median((new.value - whole["gap:sill-latch"].value)[DAY + 1 :])) < 0.03
    assert new.facts.declared_steps == ()


UNTIED = [
    ({"overlap_days": 0}, 0),
    ({"overlap_days": 3}, 3),
    # Not one movement that both read: it spreads by far more than the two gauges' own sd.
    ({"restless_mm": 0.4}, 7),
]


@pytest.mark.parametrize(("how", "days"), UNTIED)
def test_without_an_overlap_it_is_said_and_what_had_stayed_is_carried(
    how: dict[str, float], days: int
) -> None:
    inputs = replaced(TRUTH, "sill-latch", **how)  # type: ignore[arg-type]  # a table of named numbers
    line = line_of(inputs)
    found = line.each[-1].tied["sill-latch-new"]
    assert (found.days, found.by_mm, found.sd_mm) == (days, None, None)
    assert not line.each[-1].is_tied("sill-latch-new")
    droop = series(inputs)["droop"]
    assert droop.carried == pytest.approx(0.6 * (DAY - 28) / 365.25, abs=0.03)
    assert (droop.facts.declared_steps, droop.facts.rezeroed) == ((DAY,), (DAY,))


def test_an_overlap_keeps_what_the_season_did_meanwhile_and_none_loses_it() -> None:
    """A shoulder opens with the season while the fortnight of the new line passes."""
    whole = series(WHOLE)["opening:lock-hinge"].value[-30:]
    tied = series(replaced(TRUTH, "lock-hinge-top"))["opening:lock-hinge"].value[-30:]
    lost = series(replaced(TRUTH, "lock-hinge-top", overlap_days=0))["opening:lock-hinge"].value[-30:]
    assert abs(np.median(tied - whole)) < 0.004
    assert abs(np.median(lost - whole)) > 0.02


def test_days_long_after_tie_nothing() -> None:
    """An old gauge that goes on sending for months: the first seven days count, from the change on."""
    some, all_of_it = (
        overlaps(inputs := replaced(TRUTH, "sill-latch", overlap_days=days), spans_of(inputs))
        for days in (7, 120)
    )
    assert some == all_of_it

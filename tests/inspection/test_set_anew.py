"""A gauge that is moved by a known amount: what stays is what was put in, not what it was moved by."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from server.inspection.look import look
from server.inspection.values import DoorInputs, SeriesLook
from tests.inspection.changed import changed, jumped
from tests.inspection.doors import YEAR, Truth, hung, made_inputs

# On this day the season moves fastest: what goes by while a new line is drawn is most of all.
DAY = 531
TRUTH = Truth(
    years=3.0, droop_mm_per_year=0.3, turn_mrad_per_year=0.12, opening_mm_per_year=0.05, season_mm=0.4
)
FROM_LINE = TRUTH.years - 21 / YEAR
PER_YEAR = {"droop": 0.3, "turn:lock-hinge": 0.12, "opening:lock-hinge": 0.05}
BY_MM = 0.5


def marked_alone(gauge: str) -> DoorInputs:
    """A person wrote down that it was moved, and changed nothing in the register."""
    made = jumped(made_inputs(TRUTH), DAY, {gauge: BY_MM}, because="gauge-moved")
    (mark,) = made.marks
    return replace(made, marks=(replace(mark, text=f"{gauge} knocked and set again"),))


def declared_anew(gauge: str) -> DoorInputs:
    """It was moved by `door change`: a version of its own, with its own line."""
    door = changed(hung(), DAY, "gauge-moved", moved=(gauge,))
    return jumped(made_inputs(TRUTH, door), DAY, {gauge: BY_MM}, because="gauge-moved")


def looked(inputs: DoorInputs) -> dict[str, SeriesLook]:
    return {one.key: one for one in look(inputs).series}


CASES = [
    ("head-latch", "droop"),
    ("lock-hinge-top", "turn:lock-hinge"),
    ("lock-hinge-top", "opening:lock-hinge"),
]


@pytest.mark.parametrize("how", [marked_alone, declared_anew])
@pytest.mark.parametrize(("gauge", "key"), CASES)
def test_what_stays_is_what_was_put_in(how: Callable[[str], DoorInputs], gauge: str, key: str) -> None:
    one, put_in = looked(how(gauge))[key], PER_YEAR[key] * FROM_LINE
    stays, low, high = (one.number(name) for name in ("stays", "stays_low", "stays_high"))
    assert stays is not None
    assert low is not None
    assert high is not None
    assert low < put_in < high
    assert stays == pytest.approx(put_in, abs=0.05)
    # Nor does it come back with the season: what is shown is where the wood is.
    assert one.number("now") == pytest.approx(put_in, abs=0.35 if key.startswith("opening") else 0.1)


@pytest.mark.parametrize(("gauge", "key"), CASES)
def test_the_days_drawn_lie_on_what_is_said(gauge: str, key: str) -> None:
    parts = looked(declared_anew(gauge))[key].parts
    assert parts is not None
    off = parts.seen - parts.stays - parts.back
    later = parts.day > parts.day[0] + DAY + 30
    assert abs(np.nanmedian(off[later])) < 0.02


def test_a_series_that_the_gauge_is_not_of_has_no_step() -> None:
    with_it, without = looked(marked_alone("lock-hinge-top")), looked(made_inputs(TRUTH))
    for key in ("droop", "turn:top-hinge", "gap:latch-top"):
        assert with_it[key].number("stays") == without[key].number("stays"), key

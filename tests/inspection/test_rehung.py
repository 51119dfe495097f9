"""A look at a door that was re-hung: what stays goes on from what had stayed, and no joint is healed."""

import pytest

from server.inspection.look import look
from server.inspection.values import SeriesLook
from tests.inspection.changed import changed, jumped
from tests.inspection.doors import YEAR, Truth, hung, made_inputs
from tests.inspection.test_series import SET_MM

TRUTH = Truth(years=3.0, droop_mm_per_year=0.4, turn_mrad_per_year=0.12, opening_mm_per_year=0.05)
DAY = 500
PER_YEAR = {"droop": 0.4, "rack": 0.2, "turn:lock-hinge": 0.12, "opening:lock-hinge": 0.05}
# Middle of the hung line; after a change droop's next fortnights of bedding are not counted.
FROM_LINE = TRUTH.years - 21 / YEAR
BEDDING = 29 / YEAR


@pytest.fixture(scope="module")
def looks() -> dict[str, SeriesLook]:
    door = changed(hung(), DAY, "rehung")
    inputs = jumped(made_inputs(TRUTH, door), DAY, SET_MM, because="rehung")
    return {one.key: one for one in look(inputs).series}


@pytest.mark.parametrize("key", list(PER_YEAR))
def test_what_stays_is_what_was_put_in_from_the_first_line_on(looks: dict[str, SeriesLook], key: str) -> None:
    one, goes_on = looks[key], ":" in key
    put_in = PER_YEAR[key] * (FROM_LINE - (0 if goes_on else BEDDING))
    stays, low, high = (one.number(name) for name in ("stays", "stays_low", "stays_high"))
    assert stays is not None
    assert low is not None
    assert high is not None
    assert low < put_in < high
    assert stays == pytest.approx(put_in, abs=0.08)
    # Zeroed at the change, it would say no more than came after it: that lies outside for droop and the turn.
    after = PER_YEAR[key] * (TRUTH.years - (DAY + BEDDING * YEAR) / YEAR)
    assert low > after or key in ("rack", "opening:lock-hinge")

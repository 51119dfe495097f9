"""What is missing where no rate is said."""

import math

import pytest

from dashboards.pages import words
from dashboards.pages.missing import missing
from dashboards.pages.movement import movement
from tests.dashboards import yard

NB = words.NBSP
WIDE: dict[str, object] = {"half_width": 0.14, "drift_per_year": 0.05, "collinearity": 1.3, "help": "drift"}


def test_the_parts_make_up_the_whole() -> None:
    told = missing(movement(yard.result("droop", status="refused", facts=WIDE)))
    assert told is not None
    rows = dict(told.rows)
    assert rows["The readings leave the rate, either way, within"] == f"0.14{NB}mm a year"
    assert rows["It is said when that is at most"] == f"0.10{NB}mm a year"
    figures = [float(figure.split(NB)[0]) for name, figure in told.rows if name.startswith("of which")]
    assert math.hypot(*figures) == pytest.approx(0.14, abs=0.01)
    assert told.helps == words.HELPS["drift"]


def test_a_season_that_ran_together_wants_another() -> None:
    facts: dict[str, object] = {"collinearity": 5.2, "half_width": 0.3, "drift_per_year": 0.01}
    told = missing(movement(yard.result("droop", status="refused", facts=facts)))
    assert told is not None
    assert dict(told.rows)["The season makes it wider by a factor of (at most 4)"] == "5.2"
    assert told.helps == "one more dry season, heard without gaps"


@pytest.mark.parametrize("facts", [{"days_seen": 100}, {"told": "not_told"}, {}])
def test_where_only_time_or_a_gauge_is_missing_there_is_no_table(facts: dict[str, object]) -> None:
    assert missing(movement(yard.result("droop", status="refused", facts=facts))) is None


def test_where_it_is_said_nothing_is_missing() -> None:
    assert missing(movement(yard.result("droop", facts=WIDE))) is None
    assert missing(None) is None

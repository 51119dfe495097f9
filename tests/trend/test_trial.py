"""The word of one look. Source of the numbers: tests/published/trial.json."""

from typing import Any

import pytest

from server.errors import OutOfRangeError
from server.trend.trial import Bounds, Doubt, Why, Word, could_tell_years, look, together
from server.trend.trial_fence import FENCE_1, METHODS, Method
from server.trend.trial_pool import Estimate
from tests.refusals import refuses
from tests.trend.trial_cases import of_topic


def known(value: float, se: float, df: float | None = None) -> Estimate:
    return Estimate(value=value, se=se, df=df, count=1 if df is None else int(df) + 1)


@pytest.mark.parametrize("case", of_topic("verdict", "estimate"), ids=lambda case: case["id"])
def test_words_as_worked(case: dict[str, Any]) -> None:
    given, wanted = case["input"], case["output"]
    found = look(
        known(given["estimate"], given["se"], given["df"]),
        given["years"],
        given["horizon_years"],
        given["band"],
        method=FENCE_1,
    )
    assert (found.low, found.high) == pytest.approx((wanted["low"], wanted["high"]), rel=1e-9)
    assert found.word == wanted["word"]
    assert found.is_told == (found.word != "cant_tell_yet")


@pytest.mark.parametrize(
    ("value", "se", "band", "word", "why"),
    [
        (0.03, 0.0105, 0.06, "no_difference_that_matters", "b_more_within_band"),
        (-0.03, 0.0105, 0.06, "no_difference_that_matters", "a_more_within_band"),
        (0.00, 0.0105, 0.06, "no_difference_that_matters", None),
        (0.06, 0.0105, 0.06, "b_turns_more", "as_much_not_told"),
        (-0.06, 0.0105, 0.06, "a_turns_more", "as_much_not_told"),
        (0.12, 0.0105, 0.06, "b_turns_more", None),
        (-0.12, 0.0105, 0.06, "a_turns_more", None),
        (0.06, 0.0304, 0.05, "cant_tell_yet", "ended"),
    ],
)
def test_what_goes_with_a_word(value: float, se: float, band: float, word: Word, why: Why | None) -> None:
    found = look(known(value, se), 6, 6, band)
    assert (found.word, found.why) == (word, why)


def test_without_a_band_no_difference_is_never_said_not_to_matter() -> None:
    assert look(known(0.004, 0.0175), 6, 6, None).word == "cant_tell_yet"
    assert look(known(0.03, 0.0105), 6, 6, None).word == "b_turns_more"


@pytest.mark.parametrize("doubt", ["no_moment", "gauge_in_doubt", "season"])
def test_in_doubt_nothing_is_compared(doubt: Doubt) -> None:
    found = look(known(0.5, 0.01), 6, 6, 0.05, doubt=doubt)
    assert (found.word, found.why) == ("not_to_be_compared", doubt)
    assert not found.is_told


@pytest.mark.parametrize(("days", "word"), [(364, "not_to_be_compared"), (365, "b_turns_more")])
def test_the_first_look_is_a_year_after_the_start(days: int, word: Word) -> None:
    found = look(known(0.5, 0.01), days / 365.25, 6, 0.05)
    assert found.word == word
    assert (found.why == "first_year") == (days == 364)


def test_readings_that_contradict_earlier_bounds_are_not_compared() -> None:
    found = look(known(0.3, 0.02), 6, 6, 0.05, before=Bounds(low=-0.1, high=0.1))
    assert (found.word, found.why) == ("not_to_be_compared", "contradiction")
    assert look(known(0.3, 0.02), 6, 6, 0.05, before=Bounds(low=-0.1, high=0.3)).word == "b_turns_more"


def test_bounds_so_far_are_the_narrowest_of_each_side() -> None:
    first = together(None, -0.3, 0.4)
    assert together(together(first, -0.2, 0.5), -0.25, 0.3) == Bounds(low=-0.2, high=0.3)


def test_the_stricter_fence_says_later_what_the_first_one_said() -> None:
    """By hand: after 4 years of 6 they lie 2.7451 and 2.8878 errors off; this is 2.8226 from nought."""
    between = known(0.105, 0.0372)
    assert look(between, 4, 6, 0.05, method=FENCE_1).word == "b_turns_more"
    assert look(between, 4, 6, 0.05).word == "cant_tell_yet"


@pytest.mark.parametrize("method", METHODS.values(), ids=METHODS)
def test_the_date_it_could_be_told_is_where_the_bounds_would_pass_nought(method: Method) -> None:
    """By hand: c (6/t)^p se sqrt(4/t) = 0.1 at the power p of each method."""
    found = look(known(0.1, 0.0372), 4, 6, 0.05, method=method).could_tell_years
    power = {"fence-1": 0.5, "fence-2": 0.625}[method.name]
    product = 2.241402727604947 * 0.0372 * 6**power * 4**0.5 / 0.1
    assert found == pytest.approx(product ** (1 / (power + 0.5)))
    then = look(known(0.1, 0.0372 * (4 / (found or 1)) ** 0.5), found or 1, 6, None, method=method)
    assert then.low == pytest.approx(0, abs=1e-9)


def test_what_could_not_be_told_within_the_trial_says_so() -> None:
    found = look(known(0.01, 0.0372), 4, 6, 0.005)
    assert (found.word, found.why, found.could_tell_years) == ("cant_tell_yet", "not_within_trial", None)
    assert look(known(0.0, 0.0372), 4, 6, 0.005).could_tell_years is None


def test_a_kind_could_be_told_later_than_its_doors() -> None:
    doors = could_tell_years(known(0.12, 0.02), 2, 6)
    kind = could_tell_years(known(0.12, 0.02, df=3), 2, 6)
    assert doors is not None
    assert kind is not None
    assert doors < kind < 6
    then = look(known(0.12, 0.02 * (2 / kind) ** 0.5, df=3), kind, 6, None)
    assert then.low == pytest.approx(0, abs=1e-9)


def test_a_band_of_nothing_is_refused() -> None:
    with refuses(OutOfRangeError, asked="band", needed="above 0", came="0"):
        look(known(0.1, 0.1), 2, 6, 0.0)

"""Sentences."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.pages import words

NB = words.NBSP
MM = st.floats(-5, 5, allow_nan=False)


@pytest.mark.parametrize(
    ("value", "places", "text"),
    [(0.894, 2, "0.89"), (-0.001, 2, "0.00"), (-0.05, 2, "−0.05"), (2.0, 1, "2.0"), (-0.0, 2, "0.00")],
)
def test_a_number_as_printed(value: float, places: int, text: str) -> None:
    assert words.number(value, places) == text


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_what_is_no_number_is_never_printed(value: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        words.number(value)


@given(now=MM, stays=MM)
def test_parts_shown_add_up(now: float, stays: float) -> None:
    shown = words.split(now, stays)
    assert round(shown.stays + shown.back, 2) == shown.total
    assert abs(shown.total - now) <= 0.005 + 1e-9
    assert abs(shown.stays - stays) <= 0.005 + 1e-9


@given(now=MM, stays=MM, swing=st.one_of(st.none(), st.floats(0, 3)))
def test_no_sentence_has_a_bad_number_or_a_negative_one(
    now: float, stays: float, swing: float | None
) -> None:
    shown = words.split(now, stays)
    for text in (words.lead(shown, swing_mm=swing), words.parts(shown), words.short(shown)):
        assert not any(bad in text for bad in ("nan", "None", "inf", "-0.00", "−", "-0")), text


@pytest.mark.parametrize(
    ("now", "stays", "swing", "text"),
    [
        (
            1.004,
            0.89,
            0.7,
            f"The latch-side corner hangs 1.00{NB}mm below its hung line. 0.89{NB}mm of that stays; "
            f"0.11{NB}mm comes back when the wood dries.",
        ),
        (
            0.84,
            0.89,
            0.7,
            f"The latch-side corner hangs 0.84{NB}mm below its hung line. What stays is 0.89{NB}mm; "
            f"the dry season lifts it 0.05{NB}mm just now.",
        ),
        (
            0.9,
            0.9,
            0.05,
            f"The latch-side corner hangs 0.90{NB}mm below its hung line. "
            "All of it stays; the season hardly moves it.",
        ),
        (
            0.2,
            0.14,
            0.01,
            f"The latch-side corner hangs 0.20{NB}mm below its hung line. What stays is 0.14{NB}mm; the damp "
            f"in its wood has lowered it 0.06{NB}mm since it was hung, and within a year hardly moves it.",
        ),
        (
            -0.2,
            0.1,
            0.7,
            f"The latch-side corner stands 0.20{NB}mm above its hung line. What stays is 0.10{NB}mm; "
            f"the dry season lifts it 0.30{NB}mm just now.",
        ),
    ],
)
def test_the_lead_says_the_split(now: float, stays: float, swing: float, text: str) -> None:
    assert words.lead(words.split(now, stays), swing_mm=swing) == text


@pytest.mark.parametrize(
    ("rate", "low", "high", "text"),
    [
        (0.06, 0.03, 0.09, f"What stays grows by 0.06{NB}mm a year, between 0.03 and 0.09."),
        (
            0.02,
            -0.01,
            0.06,
            "What stays has not grown by anything we can tell: "
            f"between 0.01{NB}mm a year less and 0.06 more.",
        ),
        (-0.05, -0.08, -0.02, f"What stays goes back by 0.05{NB}mm a year, between 0.02 and 0.08."),
        (
            0.03,
            -0.001,
            0.06,
            f"What stays has not grown by anything we can tell: between none and 0.06{NB}mm a year more.",
        ),
    ],
)
def test_growth_stands_with_its_interval(rate: float, low: float, high: float, text: str) -> None:
    assert words.growth(rate, low, high) == text


def test_a_turn_is_in_its_own_unit() -> None:
    assert words.growth_short(0.02, 0.01, 0.03, unit="mrad") == f"0.02{NB}mrad a year, between 0.01 and 0.03"
    assert words.growth_short(0.02, -0.01, 0.03, unit="mrad") == "None we can tell"


def test_a_provisional_rate_says_so() -> None:
    said = words.so_far(words.growth(0.06, 0.03, 0.09))
    assert said.startswith("So far: what stays grows")
    assert said.endswith("Two seasons are few; the bounds may move.")


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        (
            "season",
            "Not known yet: in what has been heard, the season and the years ran together. "
            "One more dry season parts them.",
        ),
        (
            "wide",
            f"Not known yet: the readings leave it anywhere within 0.14{NB}mm a year or more. "
            "What would help: fewer days without a reading.",
        ),
        ("other", "Not known yet: the air at the door is not known."),
    ],
)
def test_what_is_not_known_says_why(kind: str, text: str) -> None:
    reason = "the air at the door is not known."
    assert words.not_known(kind, help_key="gaps", half_width=f"0.14{NB}mm", reason=reason) == text


def test_places_and_counts() -> None:
    assert words.place("lock-hinge") == "Lock rail, hinge side"
    assert words.place("bottom-latch") == "Bottom rail, latch side"
    assert words.count(2, "door", "doors") == "Two doors"
    assert words.count(1, "door", "doors") == "One door"
    assert words.count(40, "door", "doors") == "40 doors"


def test_the_seven_states_are_worded_most_pressing_first() -> None:
    keys = ["open", "opening", "taking_a_set", "not_heard", "seasonal", "settling", "true"]
    assert keys == words.PRESSING
    assert words.STATES["settling"] == "First year"


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (0.75, 1.05, f"0.75 to 1.05{NB}mm"),
        (-0.03, 0.31, f"0.03{NB}mm up to 0.31{NB}mm down"),
        (-0.001, 0.31, f"0.00 to 0.31{NB}mm"),
        (-0.3, -0.1, f"0.10 to 0.30{NB}mm up"),
        (-0.3, 0.001, f"0.00 to 0.30{NB}mm up"),
    ],
)
def test_an_interval_has_ways_and_no_sign(low: float, high: float, text: str) -> None:
    assert words.between(low, high, "mm", ways=("up", "down")) == text


@pytest.mark.parametrize(
    ("key", "name"),
    [
        ("droop", "Corner droop"),
        ("turn:lock-hinge", "Lock rail, hinge side: turn"),
        ("opening:top-latch", "Top rail, latch side: mean opening"),
        ("gap:head", "Gap head"),
        ("gauge:corner", "At the gauge corner"),
    ],
)
def test_a_series_by_its_name(key: str, name: str) -> None:
    assert words.series(key) == name


def test_a_first_word_is_not_promised_for_a_day_that_is_past() -> None:
    assert words.first_word_after(101, 100, "May 2027") == "First word about May 2027."
    assert "May" not in words.first_word_after(100, 100, "May 2027")

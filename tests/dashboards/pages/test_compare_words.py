"""What is said of two doors: the four words with their sentences, refusals, and use."""

from dataclasses import replace

import pytest

from dashboards.pages import words
from dashboards.pages.compare_words import (
    droop_beside,
    not_compared,
    seen_verdict,
    undeclared_words,
    use_words,
)
from dashboards.pages.pairs import Asked, Compared
from server.inspection import comparing
from server.inspection.comparing import HORIZON_YEARS, Pair, SeenSoFar
from server.inspection.paired import DoorSeries
from server.trend.compare import Comparison
from server.trend.trial import look
from server.trend.trial_pool import Estimate
from server.trend.trial_use import PerOpenings
from tests.dashboards import yard
from tests.inspection.doors import Truth, made_inputs
from tests.inspection.used import counted

NB = words.NBSP
NORTH, SOUTH = "\u2068North\u2069", "\u2068South\u2069"
YEARS = 4.0
FENCE = 2.241402727604947 / (YEARS / HORIZON_YEARS) ** 0.625
TURN = comparing.Asked(keys=("turn:lock-hinge",) * 2, moments_n_m=(71.7, 66.5))
DROOP = comparing.Asked(keys=("droop", "droop"))


def seen(d: float, se: float, *, band: float | None = None, asked: comparing.Asked = TURN) -> SeenSoFar:
    said = Comparison(status="served", difference=d, low=d - 1.96 * se, high=d + 1.96 * se)
    return SeenSoFar(
        asked=asked, said=said, look=look(Estimate(value=d, se=se), YEARS, HORIZON_YEARS, band), years=YEARS
    )


def refused(reason: str, years: float = 0.7) -> SeenSoFar:
    return SeenSoFar(asked=TURN, said=Comparison(status="refused", reason=reason), look=None, years=years)


def told(one: SeenSoFar, *, name: str = "lock-hinge", band: float | None = None) -> Compared:
    empty = DoorSeries(inputs=made_inputs(Truth(years=0.1)), series={}, watches={})
    pair = Pair(a=empty, b=empty, asked={"lock-hinge": TURN, "droop": DROOP})
    asked = Asked(a=yard.told("north"), b=yard.told("south", door_id=2), name=name, band=band)
    return Compared(asked=asked, pair=pair, name=name, seen=one, droop=None, per_openings=None)


def test_bounds_that_hold_none_cannot_tell_and_give_the_month_it_could() -> None:
    said = seen_verdict(told(seen(0.05, 0.025)))
    assert said.head == "Can’t tell yet"
    low, high = 0.05 - FENCE * 0.025, 0.05 + FENCE * 0.025
    assert said.say == (
        f"For each 100{NB}N·m it carries, {SOUTH}’s joint turns 0.05{NB}mrad a year more than {NORTH}’s; "
        f"the bounds reach from {-low:.2f} less to {high:.2f} more."
    )
    # c (T/t*)^0.625 se sqrt(t/t*) = |D|, t* after the later hung line, 24 November 2021
    years = (2.241402727604947 * 0.025 * HORIZON_YEARS**0.625 * YEARS**0.5 / 0.05) ** (1 / 1.125)
    assert years == pytest.approx(7.364, abs=0.001)
    assert f"they could be told apart about April{NB}2029." in said.more
    assert f"A turn of 1{NB}mrad is 0.2{NB}mm" in said.more


@pytest.mark.parametrize(("d", "first", "other"), [(0.2, SOUTH, NORTH), (-0.2, NORTH, SOUTH)])
def test_the_joint_that_turns_more_is_named(d: float, first: str, other: str) -> None:
    said = seen_verdict(told(seen(d, 0.02)))
    assert said.head == f"{first}’s joint turns more"
    least, most = 0.2 - FENCE * 0.02, 0.2 + FENCE * 0.02
    assert f"{first}’s joint turns 0.20{NB}mrad a year more than {other}’s" in said.say
    assert f"between {least:.2f} and {most:.2f}." in said.say
    assert said.interval is not None
    assert said.figures is not None
    assert said.figures.middle == ("+0.20" if d > 0 else "−0.20")


def test_no_difference_that_matters_needs_a_band() -> None:
    assert seen_verdict(told(seen(0.005, 0.01))).head == "Can’t tell yet"
    said = seen_verdict(told(seen(0.005, 0.01, band=0.06), band=0.06))
    assert said.head == "No difference that matters"
    assert said.interval is not None
    assert len(said.interval.band) == 2


def test_a_difference_within_the_band_is_said() -> None:
    said = seen_verdict(told(seen(0.05, 0.01, band=0.15), band=0.15))
    assert said.head == "No difference that matters"
    assert f"{SOUTH}’s moves more, by less than you said matters." in said.more


@pytest.mark.parametrize(
    ("reason", "years", "why"),
    [
        ("first_year", 280 / 365.25, f"The two have been heard together for 9{NB}months; it takes a year."),
        ("first_year", 1.2, "A look has yet to be taken at one of them since its first year"),
        ("no_readings", 0.0, "Nothing is known yet of one of the two"),
        ("too_few_days", 2.0, "Too few days were heard"),
        ("season", 2.0, "One more dry season parts them."),
        ("wide", 2.0, "Not known yet: the readings leave it anywhere"),
    ],
)
def test_a_refusal_says_why_and_what_would_change_it(reason: str, years: float, why: str) -> None:
    said = seen_verdict(told(refused(reason, years)))
    assert said.head == "Not to be compared"
    assert why in said.say
    assert said.interval is None


def test_one_door_is_not_two() -> None:
    one = told(seen(0.2, 0.02))
    same = replace(one, asked=replace(one.asked, b=one.asked.a))
    assert not_compared(same, same.seen) == "It is one door. Choose two."


def test_a_provisional_comparison_is_said() -> None:
    one = seen(0.2, 0.02)
    young = replace(one, said=replace(one.said, status="provisional"))
    assert "Two seasons are few; the bounds may move." in seen_verdict(told(young)).more


def test_small_figures_keep_a_third_decimal() -> None:
    said = seen_verdict(told(seen(0.012, 0.005)))
    assert f"0.012{NB}mrad" in said.say


def test_droop_is_the_leaf_s_and_grows() -> None:
    beside = droop_beside(replace(told(seen(0.2, 0.02)), droop=seen(0.3, 0.03, asked=DROOP)))
    assert beside.startswith(f"{SOUTH}’s droop grows more. {SOUTH}’s droop grows 0.30{NB}mm a year more")
    assert "N·m" not in beside


def test_nobody_declared_it_and_so_many_could_be_picked() -> None:
    said = undeclared_words(told(seen(0.2, 0.02)).pair)
    assert said.startswith("Nobody declared this beforehand. These doors allow two such comparisons")


def test_use_is_said_with_the_doors_names_and_units_kept_together() -> None:
    one = replace(told(seen(0.2, 0.02)), per_openings=seen(0.2, 0.02))
    assert use_words(one) == ""
    one.pair.use = (counted(30), counted(42))
    rates = PerOpenings(rate=0.02, half=0.03), PerOpenings(rate=0.21, half=0.05)
    assert use_words(one, rates) == (
        f"{SOUTH} is opened 1.4 times as often. Counted by openings it turns more all the same: use does not "
        f"account for it. For every 10,000 openings and 100{NB}N·m, {NORTH}’s joint turns by 0.020{NB}mrad, "
        f"between −0.010 and 0.050, and {SOUTH}’s by 0.21, between 0.16 and 0.26."
    )

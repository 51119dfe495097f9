"""Two doors compared day by day."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from server.trend.compare import Comparison, difference
from server.trend.decompose import decompose
from server.trend.paired import compare, compare_sides
from server.trend.paired_nights import side_of
from server.trend.series import Daily, DoorFacts
from server.trend.together import Shares
from tests.trend.records import record, stepped

DOOR = DoorFacts()
A, B = record(1000, rate=0.02, seed=1), record(1000, rate=0.12, seed=2)


def said(a: Daily, b: Daily, door: DoorFacts = DOOR, *, later_days: int = 0) -> Comparison:
    return compare(decompose(a, door), decompose(b, door), door, later_days=later_days)


def middle(answer: Comparison) -> tuple[float, float]:
    assert answer.difference is not None
    assert answer.high is not None
    return answer.difference, answer.high - answer.difference


@cache
def plain() -> Comparison:
    return said(A, B)


def test_a_known_difference_is_found() -> None:
    apart, half = middle(plain())
    assert (plain().status, plain().days_shared) == ("served", 1000)
    assert apart == pytest.approx(0.10, abs=half)
    assert half < 0.06


def test_the_other_way_round_is_the_other_sign() -> None:
    apart, half = middle(plain())
    back, as_wide = middle(said(B, A))
    assert back == pytest.approx(-apart, abs=0.1 * half)
    assert as_wide == pytest.approx(half, rel=0.05)


def test_a_building_that_moves_both_cancels() -> None:
    """What it shifts, the rates taken apart still hold, and the difference does not."""
    sway = np.cumsum(np.random.default_rng(8).normal(0, 0.012, 1000))
    a, b = (replace(each, value=each.value + sway) for each in (A, B))
    assert middle(said(a, b)) == pytest.approx(middle(plain()), abs=0.01)
    rates = difference(*(decompose(each, replace(DOOR, widest=9.0)) for each in (a, b)))
    assert middle(rates)[1] > 1.2 * middle(plain())[1]


def test_a_door_hung_later_has_its_own_days() -> None:
    later = replace(record(1150, rate=0.12, seed=2).up_to(1149), day=np.arange(1150))
    cut = Daily(
        day=np.arange(1000), value=later.value[150:], temp_c=later.temp_c[150:], rh_pct=later.rh_pct[150:]
    )
    answer = said(record(1150, rate=0.02, seed=1), cut, later_days=150)
    apart, half = middle(answer)
    assert answer.days_shared == 1000
    assert apart == pytest.approx(0.10, abs=half)


def test_with_nothing_shared_it_is_one_rate_less_the_other() -> None:
    a, b = decompose(A, DOOR), decompose(B, DOOR)
    apart = compare(a, b, DOOR, shares=Shares())
    assert middle(apart) == pytest.approx(middle(difference(a, b)), abs=1e-8)


def test_what_was_found_shared_may_be_kept() -> None:
    again = compare(decompose(A, DOOR), decompose(B, DOOR), DOOR, shares=plain().shares)
    assert again == plain()


def test_weights_are_of_the_rates() -> None:
    a, b = decompose(A, DOOR), decompose(B, DOOR)
    sides = [side_of(one.kept, daily, DOOR) for one, daily in ((a, A), (b, B)) if one.kept is not None]
    assert sides[0] is not None
    assert sides[1] is not None
    weighed = compare_sides(sides[0], sides[1], DOOR, shares=Shares(), weights=(2.0, 0.5))
    assert a.rate is not None
    assert b.rate is not None
    assert weighed.difference == pytest.approx(0.5 * b.rate - 2.0 * a.rate, abs=1e-8)


def test_steps_of_each_stay_its_own() -> None:
    door = replace(DOOR, declared_steps=(500,))
    moved = compare(decompose(stepped(A, 500, -0.8), door), decompose(B, DOOR), DOOR)
    apart, half = middle(moved)
    assert apart == pytest.approx(0.10, abs=half)


def test_both_drifts_enter_the_interval() -> None:
    drifting = replace(DOOR, drift_per_year=0.02)
    expected = np.hypot(middle(plain())[1], 1.96 * 0.02 * np.sqrt(2))
    assert middle(said(A, B, drifting))[1] == pytest.approx(expected, rel=1e-6)


def test_another_unit_gives_the_same_answer_in_that_unit() -> None:
    in_um = replace(DOOR, scale=1000.0, white=20.0, ar=30.0, widest=100.0)
    a, b = (replace(each, value=1000.0 * each.value) for each in (A, B))
    assert middle(said(a, b, in_um)) == pytest.approx(1000 * np.array(middle(plain())), rel=1e-4)


DRYING = replace(A, temp_c=np.full(1000, 20.0), rh_pct=np.linspace(85.0, 35.0, 1000))
REFUSED = [
    ("first_year", A.up_to(360), B, DOOR),
    ("no_readings", A, replace(B, value=np.full(1000, np.nan)), DOOR),
    ("season", DRYING, B, DOOR),
    ("wide", A, B, replace(DOOR, drift_per_year=0.08)),
]


@pytest.mark.parametrize(("reason", "a", "b", "door"), REFUSED)
def test_refuses(reason: str, a: Daily, b: Daily, door: DoorFacts) -> None:
    answer = said(a, b, door)
    assert (answer.status, answer.reason, answer.difference) == ("refused", reason, None)


def test_less_than_two_years_shared_is_provisional() -> None:
    early = said(A.up_to(600), B)
    assert (early.status, early.reason) in {("provisional", "second_year"), ("refused", "wide")}

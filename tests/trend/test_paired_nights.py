"""Two doors compared night after night."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from server.trend.paired import compare
from server.trend.paired_nights import PairDays, PairKept, paired_tonight, side_of
from server.trend.refit import refit
from server.trend.series import DoorFacts
from tests.bench.trend.filtered import filtered
from tests.trend.records import record, stepped

DOOR = DoorFacts()
A, B = record(900, rate=0.02, seed=1), record(900, rate=0.12, seed=2)


def days(through: int, **changed: Any) -> PairDays:
    return replace(PairDays(a=A.up_to(through), b=B.up_to(through), facts=(DOOR, DOOR)), **changed)


@pytest.fixture(scope="module")
def kept() -> PairKept:
    found = paired_tonight(days(731), None)[1]
    assert found is not None
    return found


def test_nothing_is_fitted_before_a_shared_year() -> None:
    said, kept = paired_tonight(days(364), None)
    assert (said.status, said.reason, said.days_shared, kept) == ("refused", "first_year", 365, None)


def test_the_night_of_a_fit_says_what_compare_says(kept: PairKept) -> None:
    said, _ = paired_tonight(days(731), None)
    a, b = (refit(one, DOOR) for one in (A.up_to(731), B.up_to(731)))
    assert said == compare(a, b, DOOR)
    assert (kept.age, kept.shares) == (731, said.shares)


def test_a_night_between_two_fits_keeps_the_last_ones_noise_and_shares(kept: PairKept) -> None:
    said, still = paired_tonight(days(850), kept)
    assert still is kept
    assert said.shares == kept.shares
    assert said.days_shared == 851


def test_an_age_that_has_come_is_fitted_anew(kept: PairKept) -> None:
    early = replace(kept, age=400)
    assert paired_tonight(days(800), early)[1] != early


def test_the_nights_are_those_of_a_forward_filter(kept: PairKept) -> None:
    """The same model by another way of reckoning: an update a day from a wide start."""
    assert kept.shares is not None
    sides = [side_of(own, one.up_to(850), DOOR) for own, one in zip(kept.doors, (A, B), strict=True)]
    assert sides[0] is not None
    assert sides[1] is not None
    nights = filtered(sides[0], sides[1], kept.shares, np.array([740, 850]))
    for place, day in enumerate((740, 850)):
        said, _ = paired_tonight(days(day), kept)
        assert said.difference == pytest.approx(nights.difference[place], abs=1e-6)
        assert said.high is not None
        assert said.difference is not None
        assert (said.high - said.difference) / 1.96 / 1.15 == pytest.approx(nights.se[place], rel=1e-5)


def test_a_step_that_the_watch_found_is_no_growth(kept: PairKept) -> None:
    moved = stepped(B, 780, 0.6).up_to(850)
    found = replace(kept.doors[1], steps=(*kept.doors[1].steps, 780))
    wild, _ = paired_tonight(days(850, b=moved), kept)
    tame, _ = paired_tonight(days(850, b=moved, watched=(None, found)), kept)
    true, _ = paired_tonight(days(850), kept)
    assert true.difference is not None
    assert tame.difference == pytest.approx(true.difference, abs=0.02)
    assert wild.difference is None or abs(wild.difference - true.difference) > 0.05


def test_a_refusal_of_the_fit_stands_until_the_next(kept: PairKept) -> None:
    said, _ = paired_tonight(days(800), replace(kept, refusal="season"))
    assert (said.status, said.reason) == ("refused", "season")

"""What the nights of a trial hand on, through the store and back."""

from dataclasses import replace

import pytest
from sqlalchemy.orm import Session

from server.inspection.pair_kept import Spot, keep, kept_pair, kept_rate
from server.trend.answer import Kept
from server.trend.paired_nights import PairKept
from server.trend.refit import refit
from server.trend.series import DoorFacts
from server.trend.together import Shares
from tests.trend.records import record
from tests.trials.yard import sealed


@pytest.fixture(scope="module")
def fitted() -> Kept:
    kept = refit(record(400, rate=0.02, seed=1), DoorFacts()).kept
    assert kept is not None
    return replace(kept, steps=(120, 340), unseen=(77,))


def spot(session: Session, basis: str = "a") -> Spot:
    return Spot(seal=sealed(session), place=0, joint="turn:lock-hinge", basis=basis)


@pytest.mark.parametrize("shares", [None, Shares(level=0.4, ar=0.1, slope=0.0)])
def test_a_pair_comes_back_as_it_was(session: Session, fitted: Kept, shares: Shares | None) -> None:
    at = spot(session)
    pair = PairKept(doors=(fitted, replace(fitted, origin=1.5)), shares=shares, age=399, refusal="season")
    keep(session, at, replace(pair, age=1))
    keep(session, at, pair)
    assert kept_pair(session, at) == pair


def test_a_door_of_a_group_comes_back_as_it_was(session: Session, fitted: Kept) -> None:
    at = spot(session)
    keep(session, at, fitted)
    assert kept_rate(session, at) == fitted


def test_what_rests_on_other_days_is_not_found(session: Session, fitted: Kept) -> None:
    at = spot(session)
    keep(session, at, fitted)
    assert kept_rate(session, replace(at, basis="b")) is None
    assert kept_pair(session, replace(at, place=1)) is None

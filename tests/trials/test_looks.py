"""Looks at a sealed trial: made, kept, carried from night to night, never undone."""

import pytest
from sqlalchemy.orm import Session

from server.trend.trial import Bounds
from server.trend.trial_fence import fence
from server.trend.trial_pairs import PairNight, Served
from server.trend.trial_pool import pool, pool_groups
from server.trials.declared import declared_of
from server.trials.looks import (
    KeptLook,
    Tonight,
    bounds_before,
    could_tell_on,
    estimates,
    look,
    looked,
    looks_of,
    told,
    years_since,
)
from server.trials.refusals import DeclarationError, HorizonError, SealedError
from server.trials.store import declare, find, seal_trial, withdraw
from tests.fakes.clock import HandClock
from tests.refusals import refuses
from tests.trend.trial_cases import CASES
from tests.trials.yard import KEEPER, SEALING, groups, night_of, pairs, sealed, served


def at(session: Session, seal: str, days: int, *given: tuple[float, float]) -> KeptLook:
    night = night_of(session, seal, days)
    return look(session, seal, Tonight(night=night, pairs=served(night, *given)))


def test_a_look_is_made_at_the_fence_and_kept(session: Session) -> None:
    seal = sealed(session)
    found = at(session, seal, 4 * 365, (0.12, 0.0372))
    session.expire_all()
    factor = fence(1460 / 365.25, 2192 / 365.25).factor
    assert (found.estimate, found.se) == (0.12, 0.0372)
    assert found.factor == pytest.approx(factor)
    assert (found.low, found.high) == pytest.approx((0.12 - factor * 0.0372, 0.12 + factor * 0.0372))
    assert (found.word, found.why, found.again, found.pairs) == ("b_turns_more", "as_much_not_told", 0, 1)
    assert looks_of(session, seal) == (found,)


def test_a_word_once_told_stays_with_its_night(session: Session) -> None:
    seal = sealed(session)
    assert told(session, seal) is None
    at(session, seal, 3 * 365, (0.12, 0.06))
    telling = at(session, seal, 4 * 365, (0.12, 0.0372))
    later = at(session, seal, 5 * 365, (0.06, 0.0372))
    assert (later.word, later.is_told) == ("cant_tell_yet", False)
    assert told(session, seal) == telling


def test_a_recomputed_night_is_another_row(session: Session) -> None:
    seal = sealed(session)
    first = at(session, seal, 1000, (0.12, 0.06))
    second = at(session, seal, 1000, (0.11, 0.06))
    assert (first.again, second.again) == (0, 1)
    assert len(looks_of(session, seal)) == 2
    bounds = bounds_before(session, seal, first.night + 1)
    assert bounds == Bounds(low=second.low or 0, high=second.high or 0)
    assert bounds_before(session, seal, first.night) is None


def test_readings_that_contradict_earlier_nights_are_found(session: Session) -> None:
    seal = sealed(session)
    assert at(session, seal, 5 * 365, (0.0, 0.01)).word == "no_difference_that_matters"
    found = at(session, seal, 5 * 365 + 1, (0.3, 0.01))
    assert (found.word, found.why) == ("not_to_be_compared", "contradiction")


def test_a_refused_pair_keeps_what_it_last_showed(session: Session) -> None:
    seal = sealed(session, pairs=pairs(2))
    at(session, seal, 800, (0.10, 0.05), (0.02, 0.05))
    night = night_of(session, seal, 801)
    tonight = [PairNight(served=Served(night=night, d=0.2, se=0.05)), PairNight(refused="season")]
    found = look(session, seal, Tonight(night=night, pairs=tonight))
    assert found.estimate == pytest.approx((0.2 + 0.02) / 2)
    ended = [PairNight(served=Served(night=night + 1, d=9.0, se=0.05), ended=True), PairNight(refused="wide")]
    assert look(session, seal, Tonight(night=night + 1, pairs=ended)).estimate == found.estimate


def test_no_verdict_before_every_pair_was_served_once(session: Session) -> None:
    seal = sealed(session, pairs=pairs(2))
    night = night_of(session, seal, 500)
    one = Tonight(night=night, pairs=[*served(night, (0.1, 0.05)), PairNight(refused="first_year")])
    found = look(session, seal, one)
    assert (found.word, found.why, found.estimate) == ("not_to_be_compared", "not_all_served", None)
    other = Tonight(night=night + 1, pairs=[PairNight(refused="season"), *served(night + 1, (0.3, 0.05))])
    assert look(session, seal, other).estimate == pytest.approx(0.2)  # the first one's of the night before


def test_a_kind_is_read_with_its_own_fence_and_shows_both(session: Session) -> None:
    seal = sealed(session, scope="kind", pairs=pairs(3))
    given = [(0.09, 0.05), (0.02, 0.045), (0.13, 0.06)]
    found = at(session, seal, 1500, *given)
    both = pool(*zip(*given, strict=True))
    assert both.kind is not None
    assert (found.estimate, found.tau) == (both.kind.value, both.tau)
    assert found.factor == pytest.approx(fence(1500 / 365.25, 2192 / 365.25, df=2, count=3).factor)
    other = found.facts["other"]
    assert isinstance(other, dict)
    assert other["estimate"]["value"] == pytest.approx(both.doors.value)


def test_unmatched_doors_are_read_by_their_rates(session: Session) -> None:
    clock = HandClock(SEALING)
    draft_id = declare(session, groups(3, 4), by=KEEPER, clock=clock)
    seal = seal_trial(session, draft_id, clock=clock, seen_until=None)
    given = CASES["groups"]["input"]
    rates = [*zip(given["a"], given["se_a"], strict=True), *zip(given["b"], given["se_b"], strict=True)]
    found = at(session, seal, 1500, *rates)
    wanted = pool_groups(given["a"], given["se_a"], given["b"], given["se_b"])
    assert (found.estimate, found.se, found.pairs) == (wanted.value, wanted.se, 4)


def test_what_the_numbers_rest_on_is_kept(session: Session) -> None:
    seal = sealed(session)
    night = night_of(session, seal, 400)
    rests_on = {"versions": {"north": 1, "south": 1}, "calibrations": [3, 4]}
    found = look(session, seal, Tonight(night=night, pairs=served(night, (0.1, 0.05)), facts=rests_on))
    assert found.facts["rests_on"] == rests_on


def test_a_doubt_tonight_says_so_beside_its_numbers(session: Session) -> None:
    seal = sealed(session)
    night = night_of(session, seal, 2000)
    doubtful = Tonight(night=night, pairs=served(night, (0.3, 0.01)), doubt="gauge_in_doubt")
    found = look(session, seal, doubtful)
    assert (found.word, found.why, found.estimate) == ("not_to_be_compared", "gauge_in_doubt", 0.3)


@pytest.mark.parametrize(("days", "came"), [(0, "23 December 2026"), (2193, "24 December 2032")])
def test_nights_outside_the_trial_are_not_looked_at(session: Session, days: int, came: str) -> None:
    seal = sealed(session)
    with refuses(HorizonError, asked="look at trial ca5b 29ba", needed="up to 23 December 2032", came=came):
        at(session, seal, days, (0.1, 0.05))


def test_the_last_night_may_be_looked_at_and_then_it_is_over(session: Session) -> None:
    seal = sealed(session)
    found = at(session, seal, 2192, (0.06, 0.0304))
    assert (found.word, found.why) == ("cant_tell_yet", "ended")


def test_a_withdrawn_trial_is_not_looked_at(session: Session) -> None:
    seal = sealed(session)
    ended = withdraw(session, seal, reason="Sold", by=KEEPER, clock=HandClock(SEALING))
    for name in (seal, ended):
        with refuses(SealedError, asked="look at trial", needed="the record that stands", came="one "):
            look(session, name, Tonight(night=25000, pairs=[]))


def test_another_number_of_pairs_is_refused(session: Session) -> None:
    seal = sealed(session)
    with refuses(DeclarationError, asked="look at trial", needed="1 results in its order", came="2"):
        at(session, seal, 500, (0.1, 0.05), (0.1, 0.05))


def test_a_kind_of_one_pair_is_not_read() -> None:
    one = declared_of(CASES["seal-second"]["input"] | {"scope": "kind"})
    last = [Served(night=21000, d=0.1, se=0.05)]
    with refuses(DeclarationError, asked="look at a kind", needed="2 pairs", came="1"):
        looked(one, Tonight(night=21000, pairs=[]), last, None)
    assert estimates(one, last)[1] is None


def test_years_and_days_of_a_trial(session: Session) -> None:
    declared = find(session, sealed(session)).declared
    assert years_since(declared.starts_on, 20810 + 731) == pytest.approx(731 / 365.25)
    assert could_tell_on(declared, 2.0).isoformat() == "2028-12-23"

"""A trial sealed by an older method: it reads, keeps its seal, and is judged by the fence that it names.

Source of the record and its seal: tests/published/trial.json, by two libraries of RFC 8785.
"""

import hashlib
import json
from datetime import UTC, datetime
from importlib import import_module

import pytest
from sqlalchemy import text
from sqlalchemy.orm import Session

from server.trend.trial_fence import FENCE_1, METHODS
from server.trials.declared import declared_of, draft_of, method_of
from server.trials.export import export
from server.trials.looks import Tonight, look
from server.trials.planned import ask_of
from server.trials.refusals import DeclarationError, SealBrokenError
from server.trials.store import amend, declare, find, list_trials, seal_trial
from server.trials.words import READ_BY
from tests.fakes.clock import HandClock
from tests.refusals import refuses
from tests.trend.trial_cases import CASES
from tests.trials.yard import KEEPER, SEALING, declaration, night_of, put_record, served

RECORD, SEAL = CASES["seal-first"]["input"], CASES["seal-first"]["output"]["sha256"]
Z_4_OF_6 = CASES["fence-4-of-6"]["output"]["z"]
BETWEEN = (0.105, 0.0372)
"""After four years of six fence-1, 2.7451 errors off, leaves out nought; fence-2, 2.8878 off, does not."""


@pytest.fixture
def old(session: Session) -> Session:
    """A database with a record of fence-1, sealed before there was another."""
    put_record(session, RECORD, under=SEAL)
    return session


def test_it_reads_and_its_seal_holds(old: Session) -> None:
    found = find(old, "5184 dc6e")
    assert (found.seal, found.record, found.declared.method) == (SEAL, RECORD, FENCE_1)
    assert [one.seal for one in list_trials(old)] == [SEAL]
    whole = json.loads(export(old, SEAL))
    assert hashlib.sha256(import_module("rfc8785").dumps(whole["record"])).hexdigest() == SEAL


def test_it_is_looked_at_by_its_own_fence(old: Session) -> None:
    night = night_of(old, SEAL, 1461)
    found = look(old, SEAL, Tonight(night=night, pairs=served(night, BETWEEN)))
    assert found.factor == pytest.approx(Z_4_OF_6, rel=2e-4)  # 1461 of 2192 days
    assert found.word == "b_turns_more"


def test_a_new_one_is_looked_at_by_the_new_fence(session: Session) -> None:
    clock = HandClock(SEALING)
    seal = seal_trial(
        session, declare(session, declaration(), by=KEEPER, clock=clock), clock=clock, seen_until=None
    )
    night = night_of(session, seal, 1461)
    found = look(session, seal, Tonight(night=night, pairs=served(night, BETWEEN)))
    assert found.factor == pytest.approx(Z_4_OF_6 * 1.5**0.125, rel=2e-4)
    assert found.word == "cant_tell_yet"


def test_its_plan_is_of_its_own_fence() -> None:
    assert ask_of(RECORD).method == FENCE_1
    assert ask_of(draft_of(declaration())).method.name == "fence-2"


def test_its_method_cannot_be_changed_behind_its_seal(session: Session) -> None:
    put_record(session, RECORD | {"method": "fence-2"}, under=SEAL)
    with refuses(SealBrokenError, asked="trial 5184 dc6e", needed="a record with that seal", came="reads"):
        find(session, SEAL)


def test_what_amends_it_is_of_the_new_fence_and_it_stays(old: Session) -> None:
    clock = HandClock(datetime(2027, 1, 5, 8, tzinfo=UTC))
    given = declaration(starts_on="2027-01-20")
    number = amend(old, SEAL, given, reason="the stricter fence", by=KEEPER, clock=clock)
    new = find(old, seal_trial(old, number, clock=clock, seen_until=None))
    assert (new.declared.method.name, new.declared.amends) == ("fence-2", SEAL)
    assert find(old, SEAL).record == RECORD


def test_no_new_declaration_takes_it(session: Session) -> None:
    asked = "declaration, method"
    with refuses(DeclarationError, asked=asked, needed="fence-2, the one that there is", came="fence-1"):
        draft_of(declaration(method="fence-1"))
    clock = HandClock(SEALING)
    number = declare(session, declaration(), by=KEEPER, clock=clock)
    session.execute(text("UPDATE trial_draft SET body = replace(body, 'fence-2', 'fence-1')"))
    session.expire_all()
    with refuses(DeclarationError, asked=asked, needed="declare it anew", came="fence-1"):
        seal_trial(session, number, clock=clock, seen_until=None)


def test_a_method_of_a_later_version_is_refused_in_words() -> None:
    with refuses(DeclarationError, asked="record, method", needed="one of fence-1, fence-2", came="fence-9"):
        declared_of(RECORD | {"method": "fence-9"})
    assert method_of(RECORD) == FENCE_1


def test_every_method_has_its_words() -> None:
    assert set(READ_BY) == set(METHODS)

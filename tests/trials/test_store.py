"""Drafts, seals and amendments on both databases."""

from datetime import UTC, date, datetime

import pytest
from sqlalchemy import text
from sqlalchemy.orm import Session

from server.trials.canonical import seal
from server.trials.refusals import (
    DeclarationError,
    ScopeError,
    SealBrokenError,
    SealedError,
    StartError,
    UnknownTrialError,
)
from server.trials.store import (
    amend,
    declare,
    draft,
    drafts,
    drop_draft,
    find,
    list_trials,
    redeclare,
    seal_trial,
    withdraw,
)
from tests.fakes.clock import HandClock
from tests.refusals import refuses
from tests.trend.trial_cases import CASES
from tests.trials.yard import KEEPER, SEALING, declaration, pairs, put_record, sealed

FIRST = CASES["seal-second"]["output"]["sha256"]
AMENDED = CASES["seal-second-amended"]["output"]["sha256"]


@pytest.fixture
def clock() -> HandClock:
    """The day of the published record."""
    return HandClock(SEALING)


def amended(
    session: Session, name: str, *, reason: str = "South re-hung in another opening before the start"
) -> str:
    clock = HandClock(datetime(2027, 1, 5, 8, tzinfo=UTC))
    given = declaration(starts_on="2027-01-20")
    draft_id = amend(session, name, given, reason=reason, by=KEEPER, clock=clock)
    return seal_trial(session, draft_id, clock=clock, seen_until=None)


def test_a_trial_declared_and_sealed_has_the_published_seal(session: Session) -> None:
    assert sealed(session) == FIRST
    session.commit()
    found = find(session, "CA5B 29BA")
    assert (found.seal, found.by, found.sealed) == (FIRST, KEEPER, SEALING)
    assert found.record == CASES["seal-second"]["input"]
    assert (found.place, found.line_length, found.replaced_by, found.stands) == (1, 1, None, True)
    assert found.last_day == date(2032, 12, 23)
    assert drafts(session) == ()


def test_an_amendment_has_the_published_seal_and_its_place(session: Session) -> None:
    sealed(session)
    assert amended(session, "ca5b29ba") == AMENDED
    old, new = find(session, FIRST), find(session, AMENDED)
    assert (old.place, new.place, new.line_length) == (1, 2, 2)
    assert (old.replaced_by, old.stands, new.stands) == (AMENDED, False, True)
    assert [one.seal for one in list_trials(session)] == [FIRST, AMENDED]


def test_drafts_may_change_and_go(session: Session, clock: HandClock) -> None:
    first = declare(session, declaration(), by=KEEPER, clock=clock)
    second = declare(session, declaration(place="Boat shed"), by=KEEPER, clock=clock)
    redeclare(session, second, declaration(place="Net loft"))
    assert draft(session, second).record["place"] == "Net loft"
    drop_draft(session, first)
    assert [one.id for one in drafts(session)] == [second]
    for gone in (drop_draft, draft):
        with refuses(UnknownTrialError, asked=f"draft {first}", needed="not sealed yet", came="none"):
            gone(session, first)


def test_a_start_before_the_sealing_is_refused_at_sealing(session: Session) -> None:
    clock = HandClock(datetime(2026, 12, 24, 1, tzinfo=UTC))
    draft_id = declare(session, declaration(), by=KEEPER, clock=clock)
    with refuses(StartError, asked="start", needed="24 December 2026 or later", came="23 December 2026"):
        seal_trial(session, draft_id, clock=clock, seen_until=None)


def test_a_draft_altered_behind_its_back_is_checked_at_sealing(session: Session, clock: HandClock) -> None:
    draft_id = declare(session, declaration(), by=KEEPER, clock=clock)
    session.execute(text("""UPDATE trial_draft SET body = replace(body, '"doors"', '"kind"')"""))
    session.expire_all()
    with refuses(ScopeError, asked="a way of joining", needed="2 pairs or more", came="1; with one pair"):
        seal_trial(session, draft_id, clock=clock, seen_until=None)


def test_readings_seen_before_are_put_on_record(session: Session, clock: HandClock) -> None:
    draft_id = declare(session, declaration(), by=KEEPER, clock=clock)
    found = find(session, seal_trial(session, draft_id, clock=clock, seen_until=date(2026, 11, 23)))
    assert found.record["seen_until"] == "2026-11-23"
    assert found.declared.seen_until == date(2026, 11, 23)


CHANGES: list[tuple[dict[str, object], str]] = [
    ({"band": "0.10"}, "a change of band"),
    ({"band": "0.10", "horizon_days": 3653}, "a change of band and horizon"),
    ({"starts_on": "2026-11-25"}, "a change of start"),
    ({}, "the same again"),
]


def test_what_is_sealed_changes_by_amendment_alone(session: Session) -> None:
    sealed(session)
    for changes, came in CHANGES:
        with pytest.raises(SealedError) as caught:
            sealed(session, **changes)
        needed = "an amendment, a new record that names this one"
        assert str(caught.value) == f"trial ca5b 29ba: needs {needed}, got {came}"


def test_other_doors_and_another_quantity_are_another_trial(session: Session) -> None:
    sealed(session)
    assert sealed(session, quantity="droop") != sealed(session, pairs=pairs(2))
    assert len(list_trials(session)) == 3


def test_a_replaced_record_is_not_amended_again(session: Session, clock: HandClock) -> None:
    sealed(session)
    waiting = amend(session, FIRST, declaration(band="0.06"), reason="x", by=KEEPER, clock=clock)
    amended(session, FIRST)
    with refuses(
        SealedError, asked="amend trial ca5b 29ba", needed="fec9 8a39", came="the one that it replaced"
    ):
        amended(session, FIRST)
    with refuses(SealedError, asked="withdraw trial ca5b 29ba", needed="fec9 8a39", came="replaced"):
        withdraw(session, FIRST, reason="Sold", by=KEEPER, clock=clock)
    with refuses(SealedError, asked="amend trial ca5b 29ba", needed="fec9 8a39", came="replaced"):
        seal_trial(session, waiting, clock=clock, seen_until=None)


def test_a_trial_is_withdrawn_by_a_record_without_doors(session: Session, clock: HandClock) -> None:
    sealed(session)
    clock.advance(hours=24 * 400)
    found = find(session, withdraw(session, FIRST, reason="The yard is sold", by=KEEPER, clock=clock))
    assert found.record["pairs"] == []
    assert (found.declared.amends, found.declared.reason) == (FIRST, "The yard is sold")
    assert not found.stands
    assert not find(session, FIRST).stands
    assert sealed(session, band="0.06")  # nothing stands in its way


def test_an_amendment_without_a_reason_is_refused(session: Session) -> None:
    sealed(session)
    for reason in ("", "  ", "x" * 201, "two\nlines"):
        with refuses(DeclarationError, asked="amendment", needed="a reason of 1 to 200 letters", came=""):
            amended(session, FIRST, reason=reason)


def test_a_name_that_is_no_seal(session: Session) -> None:
    sealed(session)
    for name in ("ca5b29b", "", "%%%%%%%%", "ca5b29bz", "ca5b____"):
        with refuses(UnknownTrialError, asked="trial", needed="8 letters or more", came=repr(name)):
            find(session, name)


def test_a_seal_of_nothing(session: Session) -> None:
    with refuses(UnknownTrialError, asked="trial fec9 8a39", needed="one of that seal", came="none"):
        find(session, AMENDED)


def test_a_record_that_reads_otherwise_breaks_its_seal(session: Session) -> None:
    record = CASES["seal-second"]["input"] | {"band": "0.50"}
    put_record(session, record, under=FIRST)
    with pytest.raises(SealBrokenError) as caught:
        find(session, "ca5b29ba")
    reads = seal(record)[:4]
    assert (
        str(caught.value) == f"trial ca5b 29ba: needs a record with that seal, got one that reads {reads} …"
    )


def test_a_line_of_amendments_that_the_record_does_not_name_is_refused(session: Session) -> None:
    put_record(session, CASES["seal-second"]["input"], under=FIRST)
    other = CASES["seal-second"]["input"] | {"band": "0.06"}
    put_record(session, other, under=seal(other), amends=FIRST)
    with refuses(SealBrokenError, asked="trial", needed="the record that it amends", came="ca5b 29ba"):
        find(session, seal(other))

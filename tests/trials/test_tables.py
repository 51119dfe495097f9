"""What is sealed or looked at cannot be changed by any statement, on either database."""

import pytest
from sqlalchemy import Engine, inspect, text
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from server.schema import differences, downgrade, head, upgrade
from server.trials.looks import Tonight, look
from server.trials.tables import TrialDraftRow, TrialLookRow, TrialRecordRow
from tests.fakes.clock import HandClock
from tests.trials.yard import night_of, sealed, served

OURS = {"trial_draft", "trial_record", "trial_look"}
SEAL = "ca5b29bab52199ba99d811f58438ccf538c81a02e0584402541c1a9b634da2b1"
CHANGES = {
    "trial_record": [
        "UPDATE trial_record SET body = '{}'",
        "UPDATE trial_record SET sealed = '2020-01-01 00:00:00'",
        "UPDATE trial_record SET by = 'another' WHERE seal LIKE 'ca5b%'",
        "DELETE FROM trial_record",
        f"INSERT INTO trial_record (seal, body, sealed, by) VALUES ('{SEAL}', '', '2020-01-01', '') "  # noqa: S608  (a seal of ours)
        "ON CONFLICT (seal) DO UPDATE SET body = excluded.body",
    ],
    "trial_look": [
        "UPDATE trial_look SET word = 'b_turns_more'",
        "UPDATE trial_look SET again = again + 1",
        "DELETE FROM trial_look",
        "DELETE FROM trial_look WHERE night > 0",
    ],
}


@pytest.fixture
def looked(session: Session) -> Session:
    """A sealed trial with one look, stored."""
    seal = sealed(session)
    night = night_of(session, seal, 400)
    look(session, seal, Tonight(night=night, pairs=served(night, (0.1, 0.05))))
    session.commit()
    return session


@pytest.mark.parametrize("table", CHANGES)
def test_what_is_kept_stays(looked: Session, table: str) -> None:
    for change in CHANGES[table]:
        with pytest.raises(DBAPIError, match=f"{table} is inserted to alone"):
            looked.execute(text(change))
        looked.rollback()
    assert looked.query(TrialRecordRow).one().seal == SEAL
    assert looked.query(TrialLookRow).one().word == "cant_tell_yet"


@pytest.mark.parametrize("table", ["trial_record", "trial_look"])
def test_what_is_kept_is_not_replaced_either(looked: Session, engine: Engine, table: str) -> None:
    """SQLite alone has INSERT OR REPLACE, which fires no trigger of DELETE; PostgreSQL alone has TRUNCATE."""
    change = f"TRUNCATE {table} CASCADE"
    if engine.dialect.name == "sqlite":
        change = f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}"  # noqa: S608  (names of our own tables)
    with pytest.raises(DBAPIError, match=r"trial_\w+ is inserted to alone"):
        looked.execute(text(change))


def test_a_seal_has_64_letters(session: Session, clock: HandClock) -> None:
    session.add(TrialRecordRow(seal="5184", body="{}", sealed=clock(), by="x"))
    with pytest.raises(IntegrityError, match="seal_length"):
        session.flush()


@pytest.mark.parametrize("amends", [SEAL, "0" * 64])
def test_an_amendment_names_a_record_that_is_there(session: Session, clock: HandClock, amends: str) -> None:
    session.add(TrialRecordRow(seal="1" * 64, body="{}", sealed=clock(), by="x", amends=amends))
    with pytest.raises(IntegrityError):
        session.flush()


def test_drafts_are_free(session: Session, clock: HandClock) -> None:
    session.add(TrialDraftRow(body="{}", by="x", made=clock()))
    session.commit()
    session.execute(text("UPDATE trial_draft SET body = '[]'"))
    session.execute(text("DELETE FROM trial_draft"))
    assert session.query(TrialDraftRow).count() == 0


def test_the_migration_makes_what_the_code_says_and_takes_it_back(database_url: str, engine: Engine) -> None:
    assert differences(engine) == []
    downgrade(database_url, "0002")
    assert set(inspect(engine).get_table_names()) >= OURS
    downgrade(database_url, "0001")
    assert OURS.isdisjoint(inspect(engine).get_table_names())
    assert upgrade(database_url) == ("0001", head())
    assert differences(engine) == []

"""The schema: made, compared, refused, taken back, on both databases."""

import re
import threading
from pathlib import Path

import pytest
from sqlalchemy import Engine, inspect, text
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from server.alerts.tables import AlertEventRow, AlertRow
from server.database import open_engine, session_of
from server.doors.tables import Door, Node, Site
from server.errors import StaleSchemaError
from server.readings.months import ensure_months
from server.schema import all_tables, check, differences, downgrade, head, revision_of, row_counts, upgrade
from tests.fakes.clock import HandClock
from tests.refusals import refuses

TABLES = {
    "site",
    "trial_draft",
    "keeper_post",
    "due",
    "message",
    "composed",
    "trial_record",
    "trial_fit",
    "trial_look",
    "load_test",
    "batch",
    "piece",
    "node",
    "door",
    "channel",
    "event_mark",
    "door_version",
    "hung_line",
    "feeler_check",
    "credential",
    "calibration",
    "journal",
    "instant",
    "journal_span",
    "clock_fix",
    "reading",
    "dirty_day",
    "ref_window",
    "rollup_day",
    "day_shut",
    "quarantine",
    "downlink",
    "session",
    "inspection",
    "finding",
    "series_result",
    "series_watch",
    "said",
    "condition",
    "alert",
    "alert_event",
    "alert_limit",
    "feed",
}
VERSIONS = Path(__file__).parents[1] / "migrations" / "versions"


def test_upgrade_from_nothing_makes_every_table(engine: Engine) -> None:
    assert set(all_tables().tables) == TABLES
    assert set(inspect(engine).get_table_names()) == TABLES | {"alembic_version"}
    assert revision_of(engine) == head()


def test_database_equals_the_code(engine: Engine) -> None:
    assert differences(engine) == []


def test_a_difference_is_seen(engine: Engine) -> None:
    with engine.begin() as connection:
        connection.execute(text("DROP TABLE clock_fix"))
    assert len(differences(engine)) == 1


def test_a_month_of_readings_is_no_difference(engine: Engine) -> None:
    ensure_months(engine, [1767225600000], set())
    assert differences(engine) == []


def test_upgrade_says_from_and_to(database_url: str) -> None:
    assert upgrade(database_url) == (None, head())
    assert upgrade(database_url) == (head(), head())


def test_downgrade_to_base_leaves_nothing(database_url: str, engine: Engine) -> None:
    downgrade(database_url, "base")
    assert set(inspect(engine).get_table_names()) <= {"alembic_version"}
    upgrade(database_url)
    assert differences(engine) == []


def test_newer_database_is_refused_with_both_revisions(database_url: str, engine: Engine) -> None:
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with refuses(
        StaleSchemaError, asked="open the database", needed=f"revision {head()}", came="revision 9999"
    ):
        check(engine)
    with refuses(
        StaleSchemaError, asked="open the database", needed=f"revision {head()}", came="revision 9999"
    ):
        upgrade(database_url)


def test_older_database_is_refused_with_the_command(database_url: str) -> None:
    engine = open_engine(database_url)
    with refuses(StaleSchemaError, asked="open the database", needed="hangtrue db upgrade", came="no tables"):
        check(engine)
    upgrade(database_url)
    check(engine)
    engine.dispose()


def test_two_upgrades_at_once_take_turns(database_url: str) -> None:
    results: list[tuple[str | None, str]] = []
    start = threading.Barrier(2)

    def one() -> None:
        start.wait(10)
        results.append(upgrade(database_url))

    threads = [threading.Thread(target=one) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert sorted(results, key=str) == sorted([(None, head()), (head(), head())], key=str)


def test_a_door_without_size_is_refused(session: Session, clock: HandClock) -> None:
    session.add(Site(id=1, name="saltmarsh-yard", zone="Europe/London"))
    session.flush()
    sizes = {"width_mm": 900.0, "height_mm": 0.0, "thickness_mm": 45.0}
    texts = {"shown": "North", "species": "oak", "joint": "one deep tenon", "built": "{}"}
    session.add(Door(site_id=1, name="north", hung=clock(), added=clock(), **sizes, **texts))
    with pytest.raises(IntegrityError, match="size_positive"):
        session.flush()


def test_a_node_of_no_site_is_refused(session: Session, clock: HandClock) -> None:
    session.add(Node(site_id=7, name="north", kind="tracked", upload_s=3600, enrolled=clock()))
    with pytest.raises(IntegrityError):
        session.flush()


def _alert(session: Session, clock: HandClock) -> int:
    session.add(Site(id=1, name="saltmarsh-yard", zone="Europe/London"))
    session.flush()
    shape = {"site_id": 1, "topic": "joint_open", "about": "north", "step": "alert", "worst": "alert"}
    session.add(AlertRow(id=1, raised="2026-01-01", **shape))
    session.flush()
    words = {"kind": "raised", "step": "alert", "detail": "", "evidence": "{}"}
    session.add(AlertEventRow(alert_id=1, slot="2026-01-01", at=clock(), **words))
    session.commit()
    return 1


@pytest.mark.parametrize("change", ["UPDATE alert_event SET kind = 'ended'", "DELETE FROM alert_event"])
def test_the_ledger_only_grows(session: Session, clock: HandClock, change: str) -> None:
    _alert(session, clock)
    with pytest.raises(DBAPIError, match="inserted to alone"):
        session.execute(text(change))
    session.rollback()


REPLACES = {
    "key": "INSERT OR REPLACE INTO alert_event (id, alert_id, slot, at, kind, step, detail, evidence) "
    "SELECT id, alert_id, slot, at, 'ended', step, detail, evidence FROM alert_event",
    "once": "INSERT OR REPLACE INTO alert_event (alert_id, slot, at, kind, step, detail, evidence) "
    "SELECT alert_id, slot, at, kind, step, detail, 'other' FROM alert_event",
}


@pytest.mark.parametrize("way", sorted(REPLACES))
def test_no_event_is_replaced(session: Session, clock: HandClock, way: str) -> None:
    """SQLite's REPLACE deletes without the trigger of DELETE; PostgreSQL has no such word."""
    _alert(session, clock)
    if session.get_bind().dialect.name == "sqlite":
        with pytest.raises(DBAPIError, match="inserted to alone"):
            session.execute(text(REPLACES[way]))
        session.rollback()
    kept = session.execute(text("SELECT kind, evidence FROM alert_event")).all()
    assert [tuple(row) for row in kept] == [("raised", "{}")]


def test_one_open_alert_a_cause(session: Session, clock: HandClock) -> None:
    _alert(session, clock)
    shape = {"site_id": 1, "topic": "joint_open", "about": "north", "step": "alert", "worst": "alert"}
    session.add(AlertRow(id=2, raised="2025-01-01", ended="2025-02-01", how="gone", **shape))
    session.commit()
    session.add(AlertRow(id=3, raised="2026-01-02", **shape))
    with pytest.raises(IntegrityError):
        session.flush()


def test_an_event_of_the_rules_stands_once(session: Session, clock: HandClock) -> None:
    _alert(session, clock)
    words = {"kind": "raised", "step": "alert", "detail": "", "evidence": "{}"}
    session.add(AlertEventRow(alert_id=1, slot="2026-01-01", at=clock(), by="keeper", **words))
    session.commit()
    session.add(AlertEventRow(alert_id=1, slot="2026-01-01", at=clock(), **words))
    with pytest.raises(IntegrityError):
        session.flush()


def rebuilds(source: str) -> bool:
    """Whether a migration alters `reading`, which on SQLite copies every row of it."""
    return re.search(r"batch_alter_table\(\s*[\"']reading[\"']", source) is not None


def test_no_migration_rebuilds_the_readings() -> None:
    assert rebuilds('with op.batch_alter_table("reading", schema=None) as batch_op:')
    sources = sorted(VERSIONS.glob("0*.py"))
    assert sources
    assert [path.name for path in sources if rebuilds(path.read_text("utf-8"))] == []


def test_row_counts_names_every_table(engine: Engine) -> None:
    with session_of(engine) as session:
        session.add(Site(name="saltmarsh-yard", zone="Europe/London"))
    assert row_counts(engine) == dict.fromkeys(TABLES, 0) | {"site": 1}

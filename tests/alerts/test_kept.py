"""Conditions by night and events, on both databases."""

import pytest
from sqlalchemy import event, func, select, text
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from server.alerts import kept
from server.alerts.delivery.posts import NewPost, add_post
from server.alerts.delivery.tables import DueRow
from server.alerts.kept import Cause, Told
from server.alerts.rules import Change, Condition, Count
from server.alerts.tables import AlertEventRow, AlertRow, ConditionRow
from tests.fakes.clock import HandClock
from tests.inspection.doors import Truth, one_joint
from tests.inspection.stored import stored_door

NOW = Condition(
    counts={"joint_open": Count(over=3, since="2026-01-01")},
    frozen="not heard",
    closed=("joint_open", "2026-01-02"),
    hidden={"joint_open": Count(over=5, first="2025-12-30")},
    done="lapsed",
)


def cause(session: Session) -> Cause:
    door = stored_door(session, Truth(years=0.0), one_joint())
    return Cause(site_id=1, topic="joint", about="north/lock-hinge", door_id=door.id)


def alert(session: Session, of: Cause) -> AlertRow:
    row = AlertRow(
        site_id=1,
        topic=of.topic,
        about=of.about,
        door_id=of.door_id,
        raised="2026-01-01",
        step="joint_open",
        worst="joint_open",
    )
    session.add(row)
    session.flush()
    return row


def test_a_condition_comes_back(session: Session) -> None:
    of = cause(session)
    kept.keep(session, 1, {of.key: NOW}, "2026-01-03")
    assert kept.newest_of(session, of) == ("2026-01-03", NOW)


def test_conditions_of_long_ago_go(session: Session) -> None:
    of = cause(session)
    for night in ("2024-11-27", "2024-11-28", "2026-01-02"):
        kept.keep(session, 1, {of.key: NOW}, night)
    rows = session.scalars(select(ConditionRow.slot).order_by(ConditionRow.slot))
    assert list(rows) == ["2024-11-28", "2026-01-02"]


def test_a_rules_event_is_written_once_and_a_persons_each_time(session: Session, clock: HandClock) -> None:
    row, raised = alert(session, cause(session)), Change(kind="raised", step="joint_open")
    told = Told(
        at=clock(), slot="2026-01-01", evidence={"turn_stays_mrad": float("nan"), "turn_low_mrad": 0.1}
    )
    for by in (None, None, "maker", "maker"):
        kept.write(session, row, raised, Told(at=told.at, slot=told.slot, evidence=told.evidence, by=by))
    events = session.scalars(select(AlertEventRow)).all()
    assert [event.by for event in events] == [None, "maker", "maker"]
    assert events[0].evidence == '{"turn_low_mrad": 0.1}'


def test_an_event_cannot_be_changed(session: Session, clock: HandClock) -> None:
    row = alert(session, cause(session))
    kept.write(
        session,
        row,
        Change(kind="raised", step="joint_open"),
        Told(at=clock(), slot="2026-01-01", evidence={}),
    )
    with pytest.raises(DatabaseError):
        session.execute(text("UPDATE alert_event SET kind = 'ended'"))


def test_frozen_until_thawed(session: Session, clock: HandClock) -> None:
    row = alert(session, cause(session))
    for kind, is_frozen in (("raised", False), ("frozen", True), ("rose", True), ("thawed", False)):
        kept.write(
            session,
            row,
            Change(kind=kind, step="joint_open"),
            Told(at=clock(), slot="2026-01-01", evidence={}),
        )
        assert kept.is_frozen(session, row) is is_frozen


def test_what_is_known_before_a_night(session: Session) -> None:
    of = cause(session)

    def known(night: str) -> kept.Before:
        return kept.before_night(session, 1, [of.key, ("leaf", "north")], night)[of.key]

    assert known("2026-01-03") == kept.Before()
    for night in ("2026-01-01", "2026-01-02", "2026-01-04"):
        kept.keep(session, 1, {of.key: NOW}, night)
    assert known("2026-01-03") == kept.Before(condition=NOW, slot="2026-01-02", is_later=True)
    assert known("2026-01-04") == kept.Before(condition=NOW, slot="2026-01-02", own=NOW)
    assert known("2026-01-05") == kept.Before(condition=NOW, slot="2026-01-04")
    assert known("2026-03-05") == kept.Before(condition=NOW, slot="2026-01-04")
    assert kept.before_night(session, 1, [], "2026-01-05") == {}


def test_of_a_sites_nights_only_those_asked_for_are_read(session: Session) -> None:
    """SQLite says of each step of a plan by which columns it seeks; none may be by the site alone."""
    if session.get_bind().dialect.name != "sqlite":
        pytest.skip("PostgreSQL plans by its statistics")
    of, asked = cause(session), list[tuple[str, tuple[object, ...]]]()
    kept.keep(session, 1, {of.key: NOW}, "2026-01-02")
    connection = session.connection()
    event.listen(connection, "before_cursor_execute", lambda *given: asked.append((given[2], given[3])))
    kept.before_night(session, 1, [of.key], "2026-01-03")
    told = [
        row.detail
        for statement, values in list(asked)
        for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", tuple(values))
    ]
    sought = [one for one in told if " condition " in one]
    assert len(sought) == 3
    assert all("about=?" in one for one in sought)


def test_a_night_kept_again_takes_the_place_of_the_first(session: Session) -> None:
    of = cause(session)
    for now in (NOW, Condition()):
        kept.keep(session, 1, {of.key: now}, "2026-01-03")
    assert kept.newest_of(session, of) == ("2026-01-03", Condition())
    kept.rewrite(session, of, "2026-01-03", NOW)
    assert kept.newest_of(session, of) == ("2026-01-03", NOW)


def test_a_condition_from_before_doubts_were_counted_is_read(session: Session) -> None:
    of = cause(session)
    old = '{"counts": {"joint_open": {"over": 1, "under": 0, "idle": 0, "since": null}}, "frozen": null, '
    text_ = old + '"holds": false, "closed": null}'
    session.add(ConditionRow(site_id=1, topic=of.topic, about=of.about, slot="2026-01-01", counts=text_))
    session.flush()
    assert kept.newest_of(session, of) == ("2026-01-01", Condition(counts={"joint_open": Count(over=1)}))


def test_stood_between_two_nights(session: Session) -> None:
    of = cause(session)
    kept.keep(session, 1, {of.key: Condition()}, "2026-01-01")
    kept.keep(session, 1, {of.key: NOW}, "2026-01-02")
    assert kept.stood_between(session, of, "2026-01-01", "2026-01-03")
    assert not kept.stood_between(session, of, "2026-01-01", "2026-01-02")
    kept.forget(session, of)
    assert kept.known_keys(session, 1, ("joint",)) == set()


def test_who_is_owed_an_event_is_written_with_it(session: Session, clock: HandClock) -> None:
    add_post(session, NewPost(channel="mail", address="maker@example.org"))
    row = alert(session, cause(session))
    told = Told(at=clock(), slot="2026-01-01", evidence={})
    for kind in ("raised", "raised", "frozen"):
        kept.write(session, row, Change(kind=kind, step="joint_open"), told)
    assert session.scalar(select(func.count()).select_from(DueRow)) == 1

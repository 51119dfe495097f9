"""The ledger on both databases: once raised, rose, eased, ended; seen and closed; the door's state."""

from datetime import date, timedelta

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.alerts import ledger
from server.alerts.ledger import Close, Night, Seen
from server.alerts.tables import AlertEventRow, AlertRow
from server.doors.register import DoorHung
from server.errors import AlertClosedError, UnknownAlertError, WordsNeededError
from server.inspection.results import SeriesResult
from server.inspection.values import Finding, Inspection
from tests.fakes.clock import HandClock
from tests.inspection.doors import Truth, one_joint
from tests.inspection.stored import stored_door
from tests.refusals import refuses

FIRST = date(2026, 1, 1)
RESTS_ON = ("north/lock-hinge-top", "north/lock-hinge-bottom")


@pytest.fixture
def door(session: Session) -> DoorHung:
    return stored_door(session, Truth(years=0.0), one_joint())


def joint(turn_mrad: float | None, *, unjudged: str | None = None) -> Inspection:
    evidence: dict[str, object] = {
        "turn_stays_mrad": turn_mrad,
        "turn_low_mrad": turn_mrad,
        "turn_open_mrad": 0.2,
    }
    return Inspection(
        findings=(
            Finding(
                topic="joint",
                about="north/lock-hinge",
                evidence=evidence,
                rests_on=RESTS_ON,
                unjudged=unjudged,
            ),
        )
    )


def nights(
    session: Session, door: DoorHung, clock: HandClock, first: int, count: int, inspection: Inspection
) -> None:
    for k in range(first, first + count):
        night = Night(slot=(FIRST + timedelta(days=k)).isoformat(), at=clock())
        ledger.record(session, inspection, door=door, night=night)


def events(session: Session) -> list[tuple[str, str, str]]:
    rows = session.scalars(select(AlertEventRow).order_by(AlertEventRow.id))
    return [(row.kind, row.step, row.slot) for row in rows]


def test_raised_once_rose_eased_and_ended(session: Session, door: DoorHung, clock: HandClock) -> None:
    nights(session, door, clock, 0, 10, joint(0.16))
    nights(session, door, clock, 10, 7, joint(0.25))
    nights(session, door, clock, 17, 30, joint(0.155))
    nights(session, door, clock, 47, 30, joint(0.05))
    assert events(session) == [
        ("raised", "joint_opening", "2026-01-07"),
        ("rose", "joint_open", "2026-01-17"),
        ("eased", "joint_opening", "2026-02-16"),
        ("ended", "joint_opening", "2026-03-18"),
    ]
    assert ledger.standing(session) == []
    (view,) = ledger.closed(session, 5)
    assert (view.how, view.since.date(), view.ended) == ("gone", date(2026, 1, 7), clock())


def test_a_night_recorded_again_changes_nothing(session: Session, door: DoorHung, clock: HandClock) -> None:
    for _ in range(2):
        nights(session, door, clock, 0, 7, joint(0.25))
    assert events(session) == [("raised", "joint_open", "2026-01-07")]
    assert session.scalar(select(func.count()).select_from(AlertRow)) == 1


def test_past_nights_say_nothing_until_the_last(session: Session, door: DoorHung, clock: HandClock) -> None:
    for k in range(8):
        night = Night(slot=(FIRST + timedelta(days=k)).isoformat(), at=clock(), past=k < 7, anew=True)
        ledger.record(session, joint(0.25), door=door, night=night)
    (event,) = session.scalars(select(AlertEventRow)).all()
    assert (event.kind, event.slot, event.detail) == ("raised", "2026-01-08", "since 2026-01-07")


def test_nights_looked_at_anew_may_contradict(session: Session, door: DoorHung, clock: HandClock) -> None:
    nights(session, door, clock, 0, 7, joint(0.25))
    for k in range(8):
        night = Night(slot=(FIRST + timedelta(days=k)).isoformat(), at=clock(), past=k < 7, anew=True)
        ledger.record(session, joint(0.05), door=door, night=night)
    assert [view.how for view in ledger.closed(session, 5)] == ["contradicted"]


def test_nights_looked_at_anew_count_anew(session: Session, door: DoorHung, clock: HandClock) -> None:
    nights(session, door, clock, 0, 8, joint(None))
    for k in range(8):
        night = Night(slot=(FIRST + timedelta(days=k)).isoformat(), at=clock(), past=k < 7, anew=True)
        ledger.record(session, joint(0.25), door=door, night=night)
    assert events(session) == [("raised", "joint_open", "2026-01-08")]


def test_an_older_night_changes_nothing(session: Session, door: DoorHung, clock: HandClock) -> None:
    nights(session, door, clock, 7, 6, joint(0.25))
    nights(session, door, clock, 0, 7, joint(0.25))
    assert events(session) == []


def test_a_door_not_looked_at_is_frozen(session: Session, door: DoorHung, clock: HandClock) -> None:
    nights(session, door, clock, 0, 7, joint(0.25))
    nights(session, door, clock, 7, 40, Inspection(findings=()))
    assert events(session)[1:] == [("frozen", "joint_open", "2026-01-08")]
    assert [view.step for view in ledger.standing(session)] == ["joint_open"]


def test_a_silent_box_freezes_what_rests_on_it(session: Session, door: DoorHung, clock: HandClock) -> None:
    nights(session, door, clock, 0, 7, joint(0.25))
    silent = Finding(
        topic="heard", about="north", evidence={"overdue": True, "silent_h": 30.0, "last_heard_ms": 0}
    )
    night = Night(slot="2026-01-08", at=clock())
    ledger.record_house(session, Inspection(findings=(silent,)), site=door.site, doors=[door], night=night)
    nights(session, door, clock, 7, 40, joint(0.0))
    assert {view.step for view in ledger.standing(session)} == {"joint_open", "node_silent"}
    assert ledger.door_state(session, door.id).key == "not_heard"


def test_seen_stands_on_and_is_undone_by_a_rise(session: Session, door: DoorHung, clock: HandClock) -> None:
    nights(session, door, clock, 0, 7, joint(0.16))
    (view,) = ledger.standing(session)
    for _ in range(2):
        ledger.act(session, view.id, Seen(), by="maker", at=clock())
    assert ledger.find(session, view.id).seen == clock()
    assert [kind for kind, _, _ in events(session)] == ["raised", "seen"]
    nights(session, door, clock, 7, 7, joint(0.25))
    assert ledger.find(session, view.id).seen is None


def test_closed_with_words_stays_quiet_for_four_weeks(
    session: Session, door: DoorHung, clock: HandClock
) -> None:
    nights(session, door, clock, 0, 7, joint(0.16))
    (view,) = ledger.standing(session)
    clock.now = clock.now.replace(day=7)
    ledger.act(session, view.id, Close(words="Clamped and reglued"), by="maker", at=clock())
    ended = ledger.find(session, view.id)
    assert (ended.how, ended.words, ended.ended) == ("person", "Clamped and reglued", clock())
    nights(session, door, clock, 6, 28, joint(0.16))
    assert ledger.standing(session) == []
    nights(session, door, clock, 34, 1, joint(0.16))
    assert [one.step for one in ledger.standing(session)] == ["joint_opening"]


def test_refusals(session: Session, door: DoorHung, clock: HandClock) -> None:
    with refuses(UnknownAlertError, asked="find alert 7", needed="alert list", came="7"):
        ledger.act(session, 7, Seen(), by="maker", at=clock())
    nights(session, door, clock, 0, 7, joint(0.25))
    (view,) = ledger.standing(session)
    with refuses(WordsNeededError, asked="close alert", needed="how it ended", came="'ok'"):
        ledger.act(session, view.id, Close(words="ok"), by="maker", at=clock())
    ledger.act(session, view.id, Close(words="Reglued"), by="maker", at=clock())
    with refuses(AlertClosedError, asked="act on alert", needed="stands", came="ended on 2026-01-01"):
        ledger.act(session, view.id, Seen(), by="maker", at=clock())


def test_a_view_says_all(session: Session, door: DoorHung, clock: HandClock) -> None:
    nights(session, door, clock, 0, 7, joint(0.25))
    (view,) = ledger.standing(session)
    assert (view.title, view.weight, view.word) == (
        "North: joint open, lock rail, hinge side",
        "today",
        "Joint open",
    )
    assert view.say == "What stays of its turn has passed 0.20 mrad and is 0.25 now, at least 0.25."
    assert "Keep people clear" in view.do
    assert (view.door_id, view.door_shown) == (door.id, "North")


def result(key: str, *, status: str = "served", swing: float = 0.1, sd: float = 0.01) -> SeriesResult:
    return SeriesResult(
        key=key, unit="mm", slot="2026-01-01", status=status, reason=None, rate=0.0, low=-0.1, high=0.1,
        facts={"swing_year": swing, "sd_day": sd}, parts=None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("results", "key"),
    [
        ([], "settling"),
        ([result("droop", status="refused")], "settling"),
        ([result("droop", status="provisional")], "seasonal"),
        ([result("droop", swing=0.04)], "true"),
        ([result("droop", swing=0.04), result("opening:lock-hinge", swing=0.3)], "seasonal"),
        ([result("droop"), result("turn:lock-hinge", status="refused")], "seasonal"),
        ([result("turn:lock-hinge", status="refused"), result("opening:lock-hinge")], "settling"),
    ],
)
def test_state_of_a_quiet_door(results: list[SeriesResult], key: str) -> None:
    assert ledger.quiet_state({one.key: one for one in results}) == key


@pytest.mark.parametrize(("turn", "key"), [(0.25, "open"), (0.16, "opening"), (0.05, "settling")])
def test_state_is_read_from_the_ledger(
    session: Session, door: DoorHung, clock: HandClock, turn: float, key: str
) -> None:
    nights(session, door, clock, 0, 7, joint(turn))
    state = ledger.door_state(session, door.id)
    assert state.key == key
    assert (state.since is None) is (key == "settling")

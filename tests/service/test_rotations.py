"""A change of password from the first word to the end of the old one, over either database."""

import json
from datetime import timedelta

import pytest
from sqlalchemy import Engine, update
from sqlalchemy.orm import Session

from sensors.message.secret import read_secret
from sensors.message.statement import Status, write_status
from server.auth.credentials import in_force, issue
from server.auth.keyring import Keyring
from server.database import session_of
from server.doors.register import enrol_node, list_nodes
from server.doors.tables import Node
from server.errors import AlreadyThereError, SettingsError
from server.service.rotations import Rotations, begin, line_again, retire
from tests.fakes.clock import HandClock
from tests.refusals import refuses

SITE = "saltmarsh-yard"
FIRST, SECOND, THIRD = (f"{SITE}.north.{generation}" for generation in (1, 2, 3))
SECRET = f"hangtrue/v1/{SITE}/north/secret"


class Bench:
    """One node with a password, and what moves a change of it."""

    def __init__(self, engine: Engine, clock: HandClock) -> None:
        self.engine, self.clock, self.ended = engine, clock, 0
        self.rotations = Rotations(engine, changed=self._changed)
        with session_of(engine) as session:
            node = enrol_node(session, SITE, "north", kind="tracked", zone="UTC", now=clock())
            issue(session, node_id=node.id, user=FIRST, role="node", generation=1, now=clock())
            self.node_id = node.id
        self.hear(clock.ms())

    def _changed(self, _session: Session) -> None:
        self.ended += 1

    def begin(self, *, is_leak: bool = False, anew: bool = False) -> tuple[str, str]:
        with session_of(self.engine) as session:
            node = session.get_one(Node, self.node_id)
            return begin(session, node, SITE, is_leak=is_leak, anew=anew, now=self.clock())

    def hear(self, ms: int | None) -> None:
        """The node was heard then; None: never."""
        with session_of(self.engine) as session:
            session.execute(update(Node).values(last_heard_ms=ms))

    def speak(self, generation: int) -> None:
        """The node tells its state, with that password."""
        now_ms = round(self.clock().timestamp() * 1000)
        text = status(generation).decode()
        with session_of(self.engine) as session:
            session.execute(update(Node).values(status=text, status_ms=now_ms))

    def users(self) -> list[str]:
        with session_of(self.engine) as session:
            return [one.user for one in in_force(session)]

    def advance(self, **later: float) -> list[bytes]:
        self.clock.advance(timedelta(**later))
        return [word.payload for word in self.rotations.advance(self.clock())]


def status(generation: int) -> bytes:
    zeros = dict.fromkeys(("pending", "held", "stuck", "lost", "config_rev", "next_s"), 0)
    ones = dict.fromkeys(("head", "tail", "proto", "boot"), 1)
    maybe = dict.fromkeys(("t_ms", "battery_mv", "rssi_dbm", "clock_fix"))
    words = {"state": "up", "journal": "7c1e90ab", "firmware": "1", "why": "start", "errors": ()}
    return write_status(Status(generation=generation, **zeros, **ones, **maybe, **words))  # type: ignore[arg-type]  # by name


@pytest.fixture
def bench(engine: Engine, clock: HandClock) -> Bench:
    return Bench(engine, clock)


def test_it_is_told_taken_cleared_and_a_day_later_the_old_one_ends(bench: Bench) -> None:
    user, password = bench.begin()
    assert user == SECOND
    (word,) = bench.advance(minutes=1)
    told = read_secret(word)
    assert told is not None
    assert (told.generation, told.key, told.until_ms - told.from_ms) == (2, password, 7 * 86_400_000)
    assert Keyring(lambda: Session(bench.engine)).identify(user, password.encode()) is not None
    bench.speak(1)
    assert bench.advance(hours=1) == [], "the same word is given once"
    bench.speak(2)
    assert bench.advance(hours=1) == [b""], "what told it is cleared"
    assert bench.advance(hours=23) == []
    assert bench.users() == [FIRST, SECOND], "both hold for a day more"
    assert bench.advance(hours=1) == []
    assert (bench.users(), bench.ended) == ([SECOND], 1)
    bench.advance(days=30)
    assert (bench.users(), bench.ended) == ([SECOND], 1)


def test_a_state_of_before_proves_nothing(bench: Bench) -> None:
    bench.speak(2)  # of a password that a wiped node once had
    bench.clock.advance(hours=1)
    bench.begin()
    assert bench.advance(hours=1) != [b""]


def test_not_taken_in_time_the_old_one_stays_and_a_person_is_told(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    bench.begin()
    bench.advance(days=6, hours=23)
    assert caplog.messages == []
    for _ in range(3):
        bench.advance(hours=8)
    assert len(caplog.messages) == 1
    assert "north has not taken its new password" in caplog.messages[0]
    bench.advance(days=1)
    assert len(caplog.messages) == 2, "once a day"
    assert bench.users() == [FIRST, SECOND]


def test_after_a_leak_the_old_one_ends_in_seven_days_whatever_happens(bench: Bench) -> None:
    bench.begin(is_leak=True)
    assert b'"leak":true' in bench.advance(days=6)[0]
    assert bench.users() == [FIRST, SECOND]
    assert bench.advance(days=1) == [b""]
    assert bench.users() == [SECOND]


def test_a_second_change_waits_for_the_first_or_is_asked_for_anew(bench: Bench) -> None:
    bench.begin()
    with refuses(AlreadyThereError, asked=f"{SITE}/north", needed="--anew", came="generation 2 on its way"):
        bench.begin()
    assert bench.begin(anew=True)[0] == THIRD
    assert bench.users() == [FIRST, THIRD]
    (word,) = bench.advance(minutes=1)
    assert json.loads(word)["gen"] == 3


def test_a_plain_device_cannot_read_it(bench: Bench, session: Session, clock: HandClock) -> None:
    shed = enrol_node(session, SITE, "shed", kind="plain", zone=None, now=clock())
    with refuses(SettingsError, asked=f"{SITE}/shed", needed="keeps a journal", came="a plain device"):
        begin(session, shed, SITE, is_leak=False, anew=False, now=clock())


def test_a_retired_node_has_no_password_and_nothing_that_was_told(bench: Bench) -> None:
    bench.begin()
    bench.advance(minutes=1)
    with session_of(bench.engine) as session:
        assert retire(session, session.get_one(Node, bench.node_id), SITE, now=bench.clock()) == 2
    assert bench.users() == []
    assert bench.advance(minutes=1) == [b""] * 4, "config, ack, secret and its own status"
    with session_of(bench.engine) as session:
        assert list_nodes(session) == []


def test_who_was_revoked_is_told_once(bench: Bench) -> None:
    assert bench.rotations.newly_revoked() == set()
    with session_of(bench.engine) as session:
        (own,) = in_force(session)
        retire(session, session.get_one(Node, bench.node_id), SITE, now=bench.clock())
    assert bench.rotations.newly_revoked() == {own.id}
    assert bench.rotations.newly_revoked() == set()


def test_the_word_carries_its_topic_and_rises(bench: Bench) -> None:
    bench.begin()
    bench.clock.advance(minutes=1)
    (word,) = bench.rotations.advance(bench.clock())
    assert (word.topic, word.rev) == (SECRET, 1)
    bench.begin(anew=True)
    (word,) = bench.rotations.advance(bench.clock())
    assert (word.topic, word.rev) == (SECRET, 2)


def test_by_itself_it_begins_at_first_contact_and_each_year(bench: Bench) -> None:
    bench.rotations = Rotations(bench.engine, begins=True)
    bench.hear(None)
    assert bench.advance(hours=23) == []
    assert bench.users() == [FIRST], "a node that was never heard could not read it"
    bench.hear(bench.clock.ms())
    (word,) = bench.advance(minutes=1)
    assert json.loads(word)["gen"] == 2
    assert bench.advance(minutes=1) == []
    bench.speak(2)
    bench.advance(hours=1)
    bench.advance(days=1)
    assert bench.users() == [SECOND]
    bench.advance(days=363)
    assert bench.users() == [SECOND]
    bench.advance(days=1)
    assert bench.users() == [SECOND, THIRD]


def test_a_line_that_nobody_used_is_good_for_a_day(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    """Source: wire.md, 10.4: valid 24 h."""
    bench.hear(None)
    bench.advance(hours=23, minutes=59)
    assert (bench.users(), bench.ended) == ([FIRST], 0)
    bench.advance(minutes=1)
    assert (bench.users(), bench.ended) == ([], 1), "a broker's files are made anew"
    assert "hangtrue node enrol gives another" in caplog.text
    with session_of(bench.engine) as session:
        password = line_again(session, SITE, "north", now=bench.clock())
    assert password is not None
    known = Keyring(lambda: Session(bench.engine)).identify(FIRST, password.encode())
    assert known is not None
    assert not known.revoked
    bench.advance(hours=23)
    assert bench.users() == [FIRST], "the new line has a day of its own"
    bench.advance(hours=1)
    assert bench.users() == []


def test_another_line_is_given_only_where_one_was_not_used(bench: Bench) -> None:
    with session_of(bench.engine) as session:
        assert line_again(session, SITE, "north", now=bench.clock()) is None, "it was heard"
        assert line_again(session, SITE, "shed", now=bench.clock()) is None, "nobody's"
    bench.hear(None)
    with session_of(bench.engine) as session:
        assert line_again(session, SITE, "north", now=bench.clock()) is None, "its line still holds"


def test_a_plain_device_keeps_its_password(bench: Bench) -> None:
    bench.rotations = Rotations(bench.engine, begins=True)
    with session_of(bench.engine) as session:
        session.execute(update(Node).values(last_heard_ms=None, kind="plain"))
    assert bench.advance(days=3) == [], "it has no line"
    bench.hear(bench.clock.ms())
    assert bench.advance(days=400) == []
    assert bench.users() == [FIRST]

"""The deliverer on both databases: in order, once or again with the same key, given up, overtaken."""

import logging
import threading
from datetime import datetime, timedelta

import numpy as np
import pytest
from sqlalchemy import Engine, update

from server.alerts.delivery.deliverer import Deliverer
from server.alerts.delivery.tables import MessageRow, PostRow
from server.alerts.delivery.values import Answer, Channel, Failed, Later, Notice, Refused, Sent
from server.alerts.tables import AlertRow
from server.database import session_of
from tests.alerts.delivery.stored import AT, composed, happens, messages, raised, with_post
from tests.fakes.clock import HandClock


class Scripted:
    """A channel that answers as told, then `Sent`, and keeps what came."""

    def __init__(self, *answers: Answer) -> None:
        self.answers, self.came = list(answers), list[Notice]()

    def send(self, notice: Notice) -> Answer:
        self.came.append(notice)
        return self.answers.pop(0) if self.answers else Sent()


class Broken:
    """A channel whose library raises, with a secret in its words."""

    def send(self, notice: Notice) -> Answer:
        raise RuntimeError("https://hooks.example/hunter2planted")


@pytest.fixture
def hand() -> HandClock:
    return HandClock(AT)


def deliverer(engine: Engine, channel: Channel, hand: HandClock, seed: int = 1) -> Deliverer:
    rng = np.random.default_rng(seed)
    return Deliverer(engine, {"hook": channel}, clock=hand, rng=rng, zone="UTC")


def one_message(engine: Engine, **given: object) -> None:
    door = with_post(engine, **given)  # type: ignore[arg-type]  # of one post
    with session_of(engine) as session:
        raised(session, door)
    composed(engine)


def test_it_sends_and_marks(engine: Engine, hand: HandClock) -> None:
    one_message(engine, address="keeper@yard.example")
    channel = Scripted()
    (done,) = deliverer(engine, channel, hand).turn()
    assert (done.state, done.word) == ("sent", "sent")
    (message,) = messages(engine)
    assert (message.state, message.tries, message.sent, message.last_word) == ("sent", 1, AT, "sent")
    assert channel.came[0].key == message.key
    assert channel.came[0].to == "keeper@yard.example"
    assert deliverer(engine, channel, hand).turn() == []


def test_tries_are_spread_and_keep_their_key(engine: Engine, hand: HandClock) -> None:
    one_message(engine)
    channel = Scripted(*[Failed("no answer")] * 5)
    made = deliverer(engine, channel, hand)
    waits, message = [], messages(engine)[0]
    for _ in range(6):
        began = hand.now
        made.turn()
        (message,) = messages(engine)
        waits.append((message.next_try - began).total_seconds() / 60)
        hand.now = max(message.next_try, hand.now)
    assert message.state == "sent"
    for wait, plain in zip(waits[:5], (1, 5, 15, 60, 240), strict=True):
        assert 0.8 * plain <= wait <= 1.2 * plain
        assert wait != plain
    assert len({notice.key for notice in channel.came}) == 1


def test_nothing_is_tried_before_its_time(engine: Engine, hand: HandClock) -> None:
    one_message(engine)
    channel = Scripted(Later(600.0, "busy", 429))
    made = deliverer(engine, channel, hand)
    assert [done.word for done in made.turn()] == ["busy 429"]
    hand.advance(seconds=599)
    assert made.turn() == []
    hand.advance(seconds=1)
    assert [done.state for done in made.turn()] == ["sent"]


def test_one_that_asks_for_no_wait_is_tried_once_a_turn(engine: Engine, hand: HandClock) -> None:
    one_message(engine)
    channel = Scripted(*[Later(0.0)] * 3)
    deliverer(engine, channel, hand).turn()
    assert len(channel.came) == 1


def test_messages_of_a_post_go_in_order(engine: Engine, hand: HandClock) -> None:
    one_message(engine)
    with session_of(engine) as session:
        session.execute(update(AlertRow).values(seen=AT))
    composed(engine, "2027-04-01", seed=2)
    channel = Scripted(Failed("no answer"))
    made = deliverer(engine, channel, hand)
    made.turn()
    assert len(channel.came) == 1  # the second waits behind the first
    hand.advance(minutes=2)
    assert [done.state for done in made.turn()] == ["sent", "sent"]
    assert [notice.kind for notice in channel.came] == ["night", "night", "month"]


def test_a_post_that_failed_goes_after_the_others(engine: Engine, hand: HandClock) -> None:
    """One that hangs for as long as it may does not keep the rest waiting a second time."""
    one_message(engine)
    with session_of(engine) as session:
        session.add(PostRow(channel="mail", least="note", house=1, quiet="00:00-00:00"))
    came: list[str] = []

    class Named:
        def __init__(self, name: str, *answers: Answer) -> None:
            self.name, self.answers = name, list(answers)

        def send(self, notice: Notice) -> Answer:
            came.append(self.name)
            return self.answers.pop(0) if self.answers else Sent()

    channels = {"hook": Named("hook", Failed("too slow"), Failed("too slow")), "mail": Named("mail")}
    made = Deliverer(engine, channels, clock=hand, rng=np.random.default_rng(1), zone="UTC", hands=1)
    for seed in (2, 3, 4):
        composed(engine, f"2027-0{seed + 2}-01", seed=seed)  # a month's sheet to each
        made.turn()
        hand.advance(days=1)
    assert came == ["hook", "mail", "mail", "hook", "mail", "hook", "hook", "hook", "hook"]


def test_a_flat_refusal_is_not_tried_again_and_the_next_goes(engine: Engine, hand: HandClock) -> None:
    one_message(engine)
    composed(engine, "2027-04-01", seed=2)
    channel = Scripted(Refused("refused", 550))
    done = deliverer(engine, channel, hand).turn()
    assert [(one.state, one.word) for one in done] == [("refused", "refused 550"), ("sent", "sent")]


def test_it_is_given_up_after_72_hours(engine: Engine, hand: HandClock) -> None:
    one_message(engine)
    channel = Scripted(*[Failed("no answer")] * 40)
    made = deliverer(engine, channel, hand)
    while messages(engine)[0].state == "waiting":
        made.turn()
        hand.now = max(messages(engine)[0].next_try, hand.now)
    (message,) = messages(engine)
    assert message.state == "expired"
    assert message.sent is None
    assert AT + timedelta(hours=66) < hand.now <= AT + timedelta(hours=72)


def test_what_is_over_before_a_try_is_dropped_and_said_as_over_by_now(
    engine: Engine, hand: HandClock
) -> None:
    one_message(engine)
    channel = Scripted(Failed("no answer"))
    made = deliverer(engine, channel, hand)
    made.turn()
    with session_of(engine) as session:
        happens(session, session.get_one(AlertRow, 1), "ended", "2027-03-03", detail="gone")
    hand.advance(hours=24)
    assert [done.state for done in made.turn()] == ["overtaken"]
    assert len(channel.came) == 1
    composed(engine, "2027-03-08", seed=2)
    assert messages(engine)[1].body.startswith(
        "Over by now: Joint open: North, lock rail, hinge side. It is gone."
    )


def test_a_sheet_is_never_overtaken(engine: Engine, hand: HandClock) -> None:
    door = with_post(engine)
    with session_of(engine) as session:
        raised(session, door, slot="2027-04-01")
    composed(engine, "2027-04-01")
    channel = Scripted(Failed("busy"))
    made = deliverer(engine, channel, hand)
    made.turn()
    with session_of(engine) as session:
        happens(session, session.get_one(AlertRow, 1), "ended", "2027-04-01", detail="gone")
    hand.advance(minutes=2)
    assert [done.state for done in made.turn()] == ["sent"]


def test_a_channel_that_is_not_set_up_any_more_is_tried_again(engine: Engine, hand: HandClock) -> None:
    one_message(engine, channel="gone")
    (done,) = deliverer(engine, Scripted(), hand).turn()
    assert (done.state, done.word) == ("waiting", "not allowed")


def test_a_broken_channel_stops_no_other_and_tells_no_secret(
    engine: Engine, hand: HandClock, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    one_message(engine)
    (done,) = deliverer(engine, Broken(), hand).turn()
    assert (done.state, done.word) == ("waiting", "no answer")
    assert "channel hook failed: RuntimeError" in caplog.text
    assert "hunter2planted" not in caplog.text
    assert "hunter2planted" not in str(messages(engine)[0].__dict__)


def test_the_loop_lives_on(engine: Engine, hand: HandClock) -> None:
    one_message(engine)
    stop, turns = threading.Event(), [0]

    class Stopping(Scripted):
        def send(self, notice: Notice) -> Answer:
            stop.set()
            return super().send(notice)

    def clock() -> datetime:
        turns[0] += 1
        if turns[0] == 1:
            raise RuntimeError("a database that is away")
        return hand()

    made = Deliverer(engine, {"hook": Stopping()}, clock=clock, rng=np.random.default_rng(1), zone="UTC")
    made.run(stop, every_s=0.001)
    assert made.failed_turns == 1
    assert messages(engine)[0].state == "sent"


def test_a_message_marked_by_another_is_left_as_it_is(engine: Engine, hand: HandClock) -> None:
    one_message(engine)

    class Meanwhile(Scripted):
        def send(self, notice: Notice) -> Answer:
            with session_of(engine) as session:
                session.execute(update(MessageRow).values(state="overtaken"))
            return Failed("busy")

    deliverer(engine, Meanwhile(), hand).turn()
    assert messages(engine)[0].state == "overtaken"

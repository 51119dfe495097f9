"""Posts are tried side by side: what hangs holds up nobody but itself, in whatever order they are."""

import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Engine, select

from server.alerts.delivery.deliverer import HANDS, TURN_S, Deliverer
from server.alerts.delivery.hands import Hands
from server.alerts.delivery.mail import WHOLE_S as MAIL_S
from server.alerts.delivery.outbox import Reached, passes
from server.alerts.delivery.posts import NewPost, add_post
from server.alerts.delivery.push import WHOLE_S as PUSH_S
from server.alerts.delivery.tables import MessageRow, PostRow
from server.alerts.delivery.values import Answer, Channel, Failed, Notice, Sent
from server.alerts.delivery.webhook import WHOLE_S as HOOK_S
from server.database import session_of
from tests.alerts.delivery.stored import AT, composed, messages, raised, yard
from tests.alerts.delivery.test_deliverer import Broken, Scripted, deliverer, one_message
from tests.fakes.clock import HandClock

ROOT = Path(__file__).parents[3]
SOON_S, NEVER_S = 20.0, 0.3
HANGING, WELL = 6, "well"


class Hanging:
    """A channel whose other side says nothing until the test lets go; then it was too slow."""

    def __init__(self) -> None:
        self.began, self.let_go = threading.Semaphore(0), threading.Event()
        self.came, self.at_once, self.most_at_once = list[Notice](), 0, 0
        self._lock = threading.Lock()

    def send(self, notice: Notice) -> Answer:
        with self._lock:
            self.came.append(notice)
            self.at_once += 1
            self.most_at_once = max(self.most_at_once, self.at_once)
        self.began.release()
        self.let_go.wait(SOON_S)
        with self._lock:
            self.at_once -= 1
        return Failed("too slow")

    def have_begun(self, many: int) -> bool:
        return all(self.began.acquire(timeout=SOON_S) for _ in range(many))


class Noting(Scripted):
    """A channel that takes all, and says that something came."""

    def __init__(self, *answers: Answer) -> None:
        super().__init__(*answers)
        self.arrived = threading.Event()

    def send(self, notice: Notice) -> Answer:
        answer = super().send(notice)
        self.arrived.set()
        return answer


@dataclass
class Yard:
    """Posts whose channels hang, then one that is well; each has one message."""

    engine: Engine
    hands: int
    hanging: Hanging = field(default_factory=Hanging)
    well: Noting = field(default_factory=Noting)
    clock: HandClock = field(default_factory=lambda: HandClock(AT))

    def deliverer(self, reached: Reached = passes, *, hook: Channel | None = None) -> Deliverer:
        return Deliverer(
            self.engine,
            {"hook": hook or self.hanging, WELL: self.well},
            clock=self.clock,
            rng=np.random.default_rng(1),
            zone="UTC",
            reached=reached,
            hands=self.hands,
        )

    def tell(self, channel: str) -> None:
        with session_of(self.engine) as session:
            add_post(session, NewPost(channel=channel, quiet="00:00-00:00"))

    def rows(self, channel: str) -> list[MessageRow]:
        with session_of(self.engine) as session:
            query = select(MessageRow).join(PostRow).where(PostRow.channel == channel)
            rows = list(session.scalars(query.order_by(MessageRow.id)))
            session.expunge_all()
        return rows


@contextmanager
def yard_of(engine: Engine, *, hanging: int, hands: int, well: int = 1) -> Iterator[Yard]:
    made = Yard(engine, hands)
    for channel in ["hook"] * hanging + [WELL] * well:
        made.tell(channel)
    with session_of(engine) as session:
        raised(session, yard(session))
    composed(engine)
    try:
        yield made
    finally:
        made.hanging.let_go.set()  # whatever the test found, no thread is left


@pytest.mark.parametrize(("hands", "is_sent"), [(HANDS, True), (HANGING + 1, True), (1, False)])
def test_six_posts_that_hang_hold_up_no_seventh(engine: Engine, hands: int, is_sent: bool) -> None:
    """With one hand, as it once was, the seventh waits for the first: so this can fail."""
    with yard_of(engine, hanging=HANGING, hands=hands) as here:
        made = here.deliverer()
        made.begin()
        assert here.hanging.have_begun(HANGING if is_sent else 1)
        assert here.well.arrived.wait(SOON_S if is_sent else NEVER_S) is is_sent
        assert not here.hanging.let_go.is_set()
        assert len(here.hanging.came) == (HANGING if is_sent else 1)
        here.hanging.let_go.set()
        assert made.close(within_s=SOON_S)


def test_a_post_is_tried_by_no_second_hand_while_its_try_hangs(engine: Engine) -> None:
    with yard_of(engine, hanging=1, hands=HANDS) as here:
        made = here.deliverer()
        (_, sent) = made.begin()
        assert here.hanging.have_begun(1)
        assert [done.state for done in sent.result(SOON_S)] == ["sent"]
        here.clock.advance(hours=1)
        composed(engine, "2027-04-01", seed=2)
        (again,) = made.begin()  # the turn goes on for the other alone
        assert [done.state for done in again.result(SOON_S)] == ["sent"]
        assert made.begin() == []
        here.hanging.let_go.set()
        assert made.close(within_s=SOON_S)
    assert (len(here.hanging.came), here.hanging.most_at_once) == (1, 1)
    assert [(row.state, row.tries) for row in here.rows("hook")] == [("waiting", 1), ("waiting", 0)]


def test_the_messages_of_each_post_keep_their_order_side_by_side(engine: Engine) -> None:
    """Twelve messages of four posts by eight hands: each post's in the order in which they were made."""
    with yard_of(engine, hanging=0, hands=8, well=4) as here:
        for seed, slot in ((2, "2027-04-01"), (3, "2027-05-01")):
            composed(engine, slot, seed=seed)
        done = here.deliverer().turn()
    assert [one.state for one in done] == ["sent"] * 12
    came = [notice.key for notice in here.well.came]
    for post in {row.post_id for row in messages(engine)}:
        keys = [row.key for row in messages(engine) if row.post_id == post]
        assert len(keys) == 3
        assert [key for key in came if key in keys] == keys


@pytest.mark.parametrize(("is_known", "is_sent"), [(True, True), (False, False)])
def test_those_that_failed_before_have_half_of_the_hands(
    engine: Engine, is_known: bool, is_sent: bool
) -> None:
    """However many they are; where they are not known to fail they may have all: hence the bound."""
    with yard_of(engine, hanging=10, hands=4, well=0) as here:
        if is_known:
            here.hanging.let_go.set()
            here.deliverer().turn()
            here.hanging = Hanging()
            here.clock.advance(hours=1)
        made = here.deliverer()  # another one: that they failed is read from what is stored
        assert len(made.begin()) == 10
        assert here.hanging.have_begun(2 if is_known else 4)
        here.tell(WELL)
        composed(engine, "2027-04-01", seed=2)
        made.begin()
        assert here.well.arrived.wait(SOON_S if is_sent else NEVER_S) is is_sent
        assert here.hanging.most_at_once == (2 if is_known else 4)
        here.hanging.let_go.set()
        assert made.close(within_s=SOON_S)


def test_two_minutes_hold_for_as_many_as_is_said() -> None:
    """Fifteen that begin to hang at once, each for the longest deadline of a channel."""
    longest_s = max(HOOK_S, MAIL_S, PUSH_S)
    left = HANDS - HANDS // 2
    assert TURN_S + 15 // left * longest_s < 120
    assert TURN_S + 16 // left * longest_s > 120


def raising(point: str) -> None:
    raise RuntimeError("hunter2planted")


def test_one_that_raises_holds_up_nobody_and_is_counted(
    engine: Engine, caplog: pytest.LogCaptureFixture
) -> None:
    """A channel that raises is a try that failed; what raises beside it is a turn that failed."""
    with yard_of(engine, hanging=1, hands=2) as here:
        made = here.deliverer(hook=Broken())
        assert sorted(done.state for done in made.turn()) == ["sent", "waiting"]
        assert made.failed_turns == 0
        here.clock.advance(hours=1)
        made = here.deliverer(reached=raising)
        (failed,) = made.begin()
        assert isinstance(failed.exception(SOON_S), RuntimeError)
        assert made.failed_turns == 1
        assert made.begin() != []  # it is not held for ever
        assert made.close(within_s=SOON_S)
    assert "hunter2planted" not in caplog.text


def test_at_the_end_a_try_that_hangs_is_not_waited_for_and_not_marked(engine: Engine) -> None:
    """It goes again with the same key; an answer that comes after the end changes nothing."""
    with yard_of(engine, hanging=1, hands=HANDS) as here:
        made, stop = here.deliverer(), threading.Event()
        run = threading.Thread(target=made.run, args=(stop,), kwargs={"every_s": 0.01, "last_s": 0.05})
        run.start()
        assert here.hanging.have_begun(1)
        assert here.well.arrived.wait(SOON_S)
        stop.set()
        run.join(SOON_S / 4)  # long before the try itself gives up
        assert not run.is_alive()
        assert not here.hanging.let_go.is_set()
        here.hanging.let_go.set()
        assert made.close(within_s=SOON_S)
        (cut,) = here.rows("hook")
        assert (cut.state, cut.tries, cut.last_word) == ("waiting", 0, None)
        here.hanging.came.clear()
        here.deliverer().turn()
        assert [notice.key for notice in here.hanging.came] == [cut.key]
        assert here.well.came[0].key == here.rows(WELL)[0].key
        assert len(here.well.came) == 1


def test_who_waited_for_the_desk_when_it_ended_sends_nothing(engine: Engine) -> None:
    one_message(engine)
    channel = Noting(Sent())
    made = deliverer(engine, channel, HandClock(AT))
    with made._desk:
        (load,) = made.begin()
        made._closing.set()
    assert load.result(SOON_S) == []
    assert channel.came == []


def test_who_waited_for_the_desk_when_it_ended_marks_nothing(engine: Engine) -> None:
    one_message(engine)
    sent, go_on = threading.Event(), threading.Event()

    class Waits(Noting):
        def send(self, notice: Notice) -> Answer:
            sent.set()
            assert go_on.wait(SOON_S)
            return super().send(notice)

    made = deliverer(engine, Waits(Sent()), HandClock(AT))
    (load,) = made.begin()
    assert sent.wait(SOON_S)
    with made._desk:
        go_on.set()
        made._gone.set()
    assert load.result(SOON_S) == []
    with session_of(engine) as session:
        assert session.scalars(select(MessageRow.state)).all() == ["waiting"]


def test_an_answer_within_the_last_seconds_is_marked_and_nothing_more_is_begun(engine: Engine) -> None:
    one_message(engine)
    composed(engine, "2027-04-01", seed=2)
    closing = threading.Event()

    class Slow(Noting):
        def send(self, notice: Notice) -> Answer:
            answer = super().send(notice)
            assert closing.wait(SOON_S)
            return answer

    channel = Slow(Sent())
    made = deliverer(engine, channel, HandClock(AT))
    made.begin()
    assert channel.arrived.wait(SOON_S)
    end = threading.Thread(target=made.close, kwargs={"within_s": SOON_S})
    end.start()
    assert made._closing.wait(SOON_S)
    closing.set()
    end.join(SOON_S)
    assert [row.state for row in messages(engine)] == ["sent", "waiting"]
    assert len(channel.came) == 1


def test_a_post_is_due_by_its_oldest_message(engine: Engine) -> None:
    with yard_of(engine, hanging=0, hands=HANDS) as here:
        (late,) = composed(engine, "2027-04-01", seed=2)
        with session_of(engine) as session:
            session.get_one(MessageRow, late).next_try = AT + timedelta(hours=1)
        made = here.deliverer()
        assert len(made.turn()) == 1
        assert made.begin() == []
        here.clock.advance(hours=1)
        assert len(made.turn()) == 1


def test_the_well_ones_go_first(engine: Engine) -> None:
    """A turn gives its posts in the order in which they are begun."""
    with yard_of(engine, hanging=2, hands=HANDS) as here:
        here.hanging.let_go.set()
        made = here.deliverer()
        assert [done.state for done in made.turn()] == ["waiting", "waiting", "sent"]
        here.clock.advance(hours=1)
        composed(engine, "2027-04-01", seed=2)
        assert [done.state for done in made.turn()] == ["sent", "waiting", "waiting"]


def test_hands_end_when_there_is_nothing_to_carry() -> None:
    ended = threading.Event()
    hands = Hands(lambda post_id: ended.wait(SOON_S) and post_id, most=3)
    given = [hands.give(post_id, is_slow=False) for post_id in range(9)]
    assert hands.give(8, is_slow=False) is None
    assert not hands.is_idle(within_s=0)
    assert len([one for one in threading.enumerate() if one.name == "deliverer-hand"]) >= 3
    ended.set()
    assert [one.result(SOON_S) for one in given if one is not None] == list(range(9))
    assert hands.is_idle(within_s=SOON_S)
    again = hands.give(8, is_slow=True)
    assert again is not None
    assert again.result(SOON_S) == 8


def test_a_process_ends_while_a_hand_hangs() -> None:
    """A pool of Python's own would hold it until the try ends."""
    script = (
        "import threading; from server.alerts.delivery.hands import Hands; began = threading.Event(); "
        "hands = Hands(lambda _: began.set() or threading.Event().wait(600), most=1); "
        "hands.give(1, is_slow=False); print(began.wait(60))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "True\n", "")

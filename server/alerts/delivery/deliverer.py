"""Sends what waits: at least once, in order, one at a time a post, and marks it after; never lost."""

import json
import logging
import threading
from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy import Engine, func, select, update
from sqlalchemy.orm import Session

from server.alerts.delivery.hands import Hands
from server.alerts.delivery.outbox import Reached, passes
from server.alerts.delivery.reading import alerts_of
from server.alerts.delivery.tables import MessageRow, PostRow
from server.alerts.delivery.tries import SPREAD, Outcome, Quiet, after_try
from server.alerts.delivery.values import Answer, Channel, Failed, Notice, Sent, said_word
from server.alerts.tables import AlertRow
from server.clock import Clock
from server.database import session_of

log = logging.getLogger(__name__)

TURN_S = 15.0
# Threads that send. What a post may wait for others that hang: see Deliverer.
HANDS = 16
# At the end of the service a try that is under way is waited for so long.
LAST_S = 3.0
BEGINNINGS = frozenset({"raised", "rose", "carries", "chatter", "still"})


@dataclass(frozen=True, slots=True)
class Delivered:
    """A try: of which message, what became of it, in a word."""

    message_id: int
    state: str
    word: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Waiting:
    id: int
    tries: int
    expires: datetime
    quiet: str
    channel: str
    notice: Notice


class Deliverer:
    """Takes messages to their channels. One of it runs at a time; a message it was killed with goes again.

    Posts are tried side by side, `hands` at most. A post that hangs keeps its hand until its channel's
    deadline, a minute at most; one whose last try did not pass is taken to hang again, and such posts have
    half of the hands at most, however many they are. So of sixteen hands eight are left to the others:
    one of them waits for its turn (15 s), and a minute for each eight posts that begin to hang in that turn.
    Two minutes hold for fifteen that begin to hang at once. Two posts keep no order between them, not even
    of one channel and address: what one was told says nothing of the other.
    """

    def __init__(  # noqa: PLR0913 -- what it works with, each handed in by its own name
        self,
        engine: Engine,
        channels: Mapping[str, Channel],
        *,
        clock: Clock,
        rng: np.random.Generator,
        zone: str,
        reached: Reached = passes,
        hands: int = HANDS,
    ) -> None:
        self._engine, self._channels, self._clock, self._rng = engine, channels, clock, rng
        self._zone, self._reached = zone, reached
        self._hands = Hands(self._carry, most=hands)
        # SQLite has one writer, and the generator one state: the hands send side by side and write in turn
        self._desk = threading.Lock()
        self._closing, self._gone = threading.Event(), threading.Event()
        self.failed_turns = 0

    def begin(self) -> list[Future[list[Delivered]]]:
        """Have all posts tried that are due, and wait for none; one still under way is left to its try."""
        with Session(self._engine) as session:
            due = due_posts(session, self._clock())
        given = [self._hands.give(post_id, is_slow=failed) for post_id, failed in due]
        return [one for one in given if one is not None]

    def turn(self) -> list[Delivered]:
        """The same, and wait for them: what became of each message, post by post."""
        return [done for one in self.begin() for done in one.result()]

    def run(self, stop: threading.Event, *, every_s: float = TURN_S, last_s: float = LAST_S) -> None:
        """Turn after turn until told to stop; then what is under way has a few seconds."""
        while not stop.is_set():
            try:
                self.begin()
            except Exception:  # noqa: BLE001  # the deliverer must live on; what waits stays in the outbox
                self._count_failed()
            stop.wait(every_s)
        self.close(within_s=last_s)

    def close(self, *, within_s: float) -> bool:
        """Begin no message more; whether all that were under way have ended within so many seconds.

        What is answered later is not marked: the database is no longer ours. It goes again, with its key.
        """
        self._closing.set()
        is_idle = self._hands.is_idle(within_s=within_s)
        # a mark that is being written is waited for; who waits for the desk after us marks nothing
        is_ours = self._desk.acquire(timeout=within_s)
        self._gone.set()
        if is_ours:
            self._desk.release()
        return is_idle

    def _carry(self, post_id: int) -> list[Delivered]:
        """Try the messages of a post that are due, in order, up to one that does not pass."""
        done: list[Delivered] = []
        try:
            while not self._closing.is_set() and (found := self._next(post_id)) is not None:
                ended = self._try(found) if isinstance(found, _Waiting) else found
                if ended is None:
                    break
                log.info("message %d: %s, %s", ended.message_id, ended.state, ended.word)
                done.append(ended)
                if ended.state == "waiting":
                    break
        except Exception:
            self._count_failed()
            raise
        return done

    def _count_failed(self) -> None:
        with self._desk:
            self.failed_turns += 1
        # no traceback: an error of a channel may hold what nobody may read
        log.error("a turn of deliveries failed; what waits is tried again")

    def _next(self, post_id: int) -> _Waiting | Delivered | None:
        """The oldest that waits, if it is due; one whose alerts are over by now is dropped."""
        now = self._clock()
        with self._desk, session_of(self._engine) as session:
            if self._closing.is_set():  # set while we waited for the desk
                return None
            row = session.scalar(
                select(MessageRow)
                .where(MessageRow.post_id == post_id, MessageRow.state == "waiting")
                .order_by(MessageRow.id)
                .limit(1)
            )
            if row is None or row.next_try > now:
                return None
            if is_overtaken(session, row):
                row.state = "overtaken"
                return Delivered(row.id, "overtaken", "over by now")
            return _waiting(row, session.get_one(PostRow, post_id))

    def _try(self, waiting: _Waiting) -> Delivered | None:
        """Send it and mark it; None where the answer came after the end."""
        self._reached("before sending")
        answer = self._send(waiting)
        self._reached("answered but not marked")
        now, tries = self._clock(), waiting.tries + 1
        with self._desk:
            if self._gone.is_set():
                return None
            outcome = after_try(
                answer,
                tries=tries,
                now=now,
                expires=waiting.expires,
                spread=float(self._rng.uniform(1 - SPREAD, 1 + SPREAD)),
                quiet=Quiet.of(waiting.quiet, self._zone),
            )
            with session_of(self._engine) as session:
                _mark(session, waiting.id, tries=tries, outcome=outcome, answer=answer, now=now)
        self._reached("marked")
        return Delivered(waiting.id, outcome.state, said_word(answer))

    def _send(self, waiting: _Waiting) -> Answer:
        channel = self._channels.get(waiting.channel)
        if channel is None:
            return Failed("not allowed")  # taken out of the settings; it may come back
        try:
            return channel.send(waiting.notice)
        except Exception as error:  # noqa: BLE001  # whatever a channel's library raises: the others go on
            # the kind of the error alone: its text may hold an address or a password
            log.warning("channel %s failed: %s", waiting.channel, type(error).__name__)
            return Failed("no answer")


def due_posts(session: Session, now: datetime) -> list[tuple[int, bool]]:
    """The posts whose oldest waiting message is due, and whether the last try of each did not pass.

    Those that did not pass come last: they may hang.
    """
    oldest = select(func.min(MessageRow.id)).where(MessageRow.state == "waiting").group_by(MessageRow.post_id)
    due = select(MessageRow.post_id).where(MessageRow.id.in_(oldest), MessageRow.next_try <= now)
    posts = list(session.scalars(due.order_by(MessageRow.post_id)))
    return sorted(((post_id, _has_failed(session, post_id)) for post_id in posts), key=lambda one: one[1])


def _has_failed(session: Session, post_id: int) -> bool:
    tried = select(MessageRow.state).where(MessageRow.post_id == post_id, MessageRow.tries > 0)
    return session.scalar(tried.order_by(MessageRow.id.desc()).limit(1)) not in (None, "sent")


def is_overtaken(session: Session, row: MessageRow) -> bool:
    """Whether a message only says that something began, and all of it has ended since."""
    said = json.loads(row.said)
    kinds = {line["kind"] for line in said["lines"]}
    if said["standing"] is not None or not kinds or not kinds <= BEGINNINGS:
        return False
    query = select(AlertRow.ended, AlertRow.how).where(AlertRow.id.in_(alerts_of(row)))
    return all(ended is not None and how != "told" for ended, how in session.execute(query))


def notice_of(row: MessageRow, *, to: str | None) -> Notice:
    """A message as a channel takes it."""
    said = json.loads(row.said)
    return Notice(
        key=row.key,
        kind=row.kind,
        subject=row.subject,
        body=row.body,
        said=tuple(said["data"]),
        follows=said["follows"],
        to=to,
    )


def _waiting(row: MessageRow, post: PostRow) -> _Waiting:
    return _Waiting(
        id=row.id,
        tries=row.tries,
        expires=row.expires,
        quiet=post.quiet,
        channel=post.channel,
        notice=notice_of(row, to=post.address),
    )


def _mark(
    session: Session, message_id: int, *, tries: int, outcome: Outcome, answer: Answer, now: datetime
) -> None:
    values = {"state": outcome.state, "tries": tries, "next_try": outcome.next_try}
    values |= {"last_word": said_word(answer), "sent": now if isinstance(answer, Sent) else None}
    session.execute(
        update(MessageRow).where(MessageRow.id == message_id, MessageRow.state == "waiting").values(**values)
    )

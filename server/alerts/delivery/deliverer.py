"""Sends what waits: at least once, in order, one at a time a post, and marks it after; never lost."""

import json
import logging
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

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
    """Takes messages to their channels. One of it runs at a time; a message it was killed with goes again."""

    def __init__(
        self,
        engine: Engine,
        channels: Mapping[str, Channel],
        *,
        clock: Clock,
        rng: np.random.Generator,
        zone: str,
        reached: Reached = passes,
    ) -> None:
        self._engine, self._channels, self._clock, self._rng = engine, channels, clock, rng
        self._zone, self._reached = zone, reached
        self._failing: set[int] = set()
        self.failed_turns = 0

    def turn(self) -> list[Delivered]:
        """Try all that is due now, and give what became of it. Posts that failed go last: they may hang."""
        with session_of(self._engine) as session:
            posts = list(session.scalars(select(PostRow.id).order_by(PostRow.id)))
        posts.sort(key=self._failing.__contains__)
        return [done for post_id in posts for done in self._post(post_id)]

    def run(self, stop: threading.Event, *, every_s: float = TURN_S) -> None:
        """Turn after turn until told to stop."""
        while not stop.is_set():
            try:
                for done in self.turn():
                    log.info("message %d: %s, %s", done.message_id, done.state, done.word)
            except Exception:  # noqa: BLE001  # the deliverer must live on; what waits stays in the outbox
                self.failed_turns += 1
                # no traceback: an error of a channel may hold what nobody may read
                log.error("a turn of deliveries failed; what waits is tried again")
            stop.wait(every_s)

    def _post(self, post_id: int) -> list[Delivered]:
        done = []
        while (found := self._next(post_id)) is not None:
            done.append(self._try(found) if isinstance(found, _Waiting) else found)
            self._failing.discard(post_id)
            if done[-1].state == "waiting":
                self._failing.add(post_id)
                break
        return done

    def _next(self, post_id: int) -> _Waiting | Delivered | None:
        """The oldest that waits, if it is due; one whose alerts are over by now is dropped."""
        now = self._clock()
        with session_of(self._engine) as session:
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

    def _try(self, waiting: _Waiting) -> Delivered:
        self._reached("before sending")
        answer = self._send(waiting)
        self._reached("answered but not marked")
        now, tries = self._clock(), waiting.tries + 1
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

"""One group of offers, one transaction: readings, refusals, states. What it gives is committed."""

from collections.abc import Callable, Iterator, Sequence, Set
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from itertools import chain
from typing import TypeVar

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError

from server.intake.enrolled import Enrolment
from server.intake.judged import Judge, Judged, Sound, Told, Unsound
from server.intake.sheets import Sheet, sheets_of, store_sheets
from server.intake.states import keep_heard, keep_journal, keep_state
from server.intake.storing import (
    NOTHING_NEW,
    Added,
    JournalIds,
    SomeStoredError,
    is_deadlock,
    store_each,
    store_whole,
)
from server.intake.values import Offer, Taken
from server.readings import journals, quarantine
from server.readings.months import Month, ensure_months

T = TypeVar("T")
DEADLOCKS = 3  # in a row, before it is the store that fails


@dataclass(slots=True, kw_only=True)
class Outcome:
    """What became of a group. `journals`: of each node touched by a pack, the journal; `told`: by a state."""

    taken: list[Taken] = field(default_factory=list)
    journals: dict[int, str] = field(default_factory=dict)
    told: dict[int, str] = field(default_factory=dict)
    packs_stored: int = 0
    readings_stored: int = 0
    readings_of: dict[int, int] = field(default_factory=dict)  # stored, by node
    redelivered: int = 0
    states_ignored: int = 0
    refused: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Replayed:
    """What became of a held pack: `code` None when it is stored. `journal` of the pack, `readings` new."""

    code: str | None
    node_id: int | None
    journal: str | None = None
    readings: int = 0


class Committer:
    """Stores groups of offers. Used by one thread."""

    def __init__(self, engine: Engine, enrolment: Enrolment, *, clock_ms: Callable[[], int]) -> None:
        self._engine = engine.execution_options(immediate=True)
        self._enrolment, self._clock_ms = enrolment, clock_ms
        self._months: set[Month] = set()
        self._journal_ids: dict[journals.JournalKey, int] = {}
        self._expects_again = False
        self._held: Connection | None = None
        self.judge = Judge(enrolment)

    def commit(self, offers: Sequence[Offer]) -> Outcome:
        """Check and store these offers; returns once they are committed, all or none.

        Raises DBAPIError when the store fails: then nothing of the group is stored.
        """
        return _past_deadlocks(partial(self._commit_once, offers))

    def _commit_once(self, offers: Sequence[Offer]) -> Outcome:
        now = datetime.fromtimestamp(self._clock_ms() / 1000, UTC)
        if not self._expects_again and (sheets := sheets_of(offers, self._enrolment.by_topic)):
            try:
                return self._commit_sheets(offers, sheets, now)
            except SomeStoredError:
                self._expects_again = True
        judged = [self.judge.judge(offer) for offer in offers]
        sound = [one for one in judged if isinstance(one, Sound)]
        ensure_months(self._engine, (ms for one in sound for _, ms, _ in one.pack.readings), self._months)
        if not self._expects_again:
            try:
                return self._commit_whole(judged, sound, now)
            except SomeStoredError:
                self._expects_again = True  # what comes again after a lost connection comes for a while
        return self._commit_each(judged, sound, now)

    def close(self) -> None:
        """Give back the connection that is held from commit to commit."""
        if self._held is not None:
            self._held.close()
            self._held = None

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        """A transaction on a connection of the writer's own: it keeps in memory what it read of the file."""
        if self._held is None:
            self._held = self._engine.connect()
        try:
            with self._held.begin():
                yield self._held
        except DBAPIError:  # it may be the connection that is at fault: the next try has another
            self.close()
            raise

    def _commit_sheets(self, offers: Sequence[Offer], sheets: Sequence[Sheet], now: datetime) -> Outcome:
        ensure_months(self._engine, chain.from_iterable([one.columns.ms for one in sheets]), self._months)
        with self._writing() as connection:
            ids = self._ids(connection, {one.journal for one in sheets}, now)
            store_sheets(connection, sheets, ids)
            keep_heard(connection, {one.node.id: one.latest_ms for one in sheets})
        self._journal_ids.update(ids)
        return _outcome_of_sheets(offers, sheets)

    def _commit_whole(self, judged: Sequence[Judged], sound: Sequence[Sound], now: datetime) -> Outcome:
        with self._writing() as connection:
            ids = self._ids(connection, _journal_keys(judged), now)
            added = store_whole(connection, sound, ids)
            self._keep(connection, judged, ids, now)
        self._journal_ids.update(ids)
        return _outcome(judged, added)

    def _commit_each(self, judged: Sequence[Judged], sound: Sequence[Sound], now: datetime) -> Outcome:
        with self._writing() as connection:
            ids = self._ids(connection, _journal_keys(judged), now)
            added = store_each(connection, sound, ids, self._enrolment)
            fates = _fates(judged, added)
            self._keep(connection, fates, ids, now)
        self._journal_ids.update(ids)
        self._expects_again = NOTHING_NEW in added
        return _outcome(fates, [one for one in added if isinstance(one, Added)])

    def replay(self, held: quarantine.Held) -> "Replayed | None":
        """Check a held pack again, with its original arrival; stored it leaves quarantine, refused it stays.

        None when it is not held any more, or only counted. Raises DBAPIError when the store fails.
        """
        return _past_deadlocks(partial(self._replay_once, held))

    def _replay_once(self, held: quarantine.Held) -> "Replayed | None":
        now = datetime.fromtimestamp(self._clock_ms() / 1000, UTC)
        with self._engine.connect() as connection:
            payload = quarantine.payload_of(connection, held.id, now=now)
        if payload is None:
            return None
        one = self.judge.judge(Offer(topic=held.topic, payload=payload, arrival_ms=held.arrival_ms))
        sound = [one] if isinstance(one, Sound) else []
        ensure_months(self._engine, (ms for each in sound for _, ms, _ in each.pack.readings), self._months)
        with self._engine.begin() as connection:
            if quarantine.payload_of(connection, held.id, now=now) is None:
                return None  # another replay was quicker
            ids = self._ids(connection, _journal_keys(sound), now)
            added = store_each(connection, sound, ids, self._enrolment)
            (fate,) = _fates([one], added)
            if isinstance(fate, Unsound):
                quarantine.keep_holding(connection, held.id, fate.refused)
            else:
                quarantine.release(connection, held.id, now=now)
        return _replayed(fate, added)

    def _ids(self, connection: Connection, keys: Set[journals.JournalKey], now: datetime) -> JournalIds:
        # on PostgreSQL each time: while this process runs another may restore the database, and number anew
        if connection.dialect.name == "sqlite" and keys <= self._journal_ids.keys():
            return {key: self._journal_ids[key] for key in keys}
        return journals.journal_ids(connection, keys, now=now)

    def _keep(self, connection: Connection, fates: Sequence[Judged], ids: JournalIds, now: datetime) -> None:
        """All of a group but its readings."""
        quarantine.hold(connection, [one.refused for one in fates if isinstance(one, Unsound)], now=now)
        heard: dict[int, int] = {}
        for one in fates:
            if isinstance(one, Sound):
                node_id, came_ms = one.node.id, one.offer.arrival_ms
                if came_ms > heard.get(node_id, 0):
                    heard[node_id] = came_ms
                continue
            node = self._enrolment.by_topic.get(one.offer.topic)
            is_word = not isinstance(one, Told) or one.status is not None
            if node is not None and is_word:
                heard[node.id] = max(one.offer.arrival_ms, heard.get(node.id, 0))
            if isinstance(one, Told) and one.is_form and one.node is not None:
                key = _journal_key(one)
                journal_id = ids[key] if key is not None else None
                keep_state(connection, one, journal_id=journal_id)
                if journal_id is not None:
                    keep_journal(connection, one, journal_id=journal_id)
        keep_heard(connection, heard)


def _past_deadlocks(step: Callable[[], T]) -> T:
    """Do it again where it was ended because another collector stores the same at this moment."""
    for _ in range(DEADLOCKS):
        try:
            return step()
        except DBAPIError as fault:
            if not is_deadlock(fault):
                raise
    return step()


def _journal_keys(judged: Sequence[Judged]) -> set[journals.JournalKey]:
    return {key for key in map(_journal_key, judged) if key is not None}


def _journal_key(one: Judged) -> journals.JournalKey | None:
    if isinstance(one, Sound) and one.pack.journal is not None:
        return one.node.id, one.pack.journal
    if isinstance(one, Told) and one.node is not None and one.status is not None:
        return one.node.id, one.status.journal
    return None


def _fates(judged: Sequence[Judged], added: Sequence[Added | Unsound]) -> list[Judged]:
    """The offers as the store left them; `added` is of the sound ones, in order."""
    left = iter(added)
    results = [next(left) if isinstance(one, Sound) else one for one in judged]
    return [
        result if isinstance(result, Unsound) else one for one, result in zip(judged, results, strict=True)
    ]


def _replayed(fate: Judged, added: Sequence[Added | Unsound]) -> Replayed:
    if isinstance(fate, Sound):
        readings = sum(len(one.readings) for one in added if isinstance(one, Added))
        return Replayed(code=None, node_id=fate.node.id, journal=fate.pack.journal, readings=readings)
    assert isinstance(fate, Unsound)  # noqa: S101  (a state is never held)
    return Replayed(code=fate.refused.code, node_id=fate.refused.node_id, journal=fate.refused.journal)


def _outcome_of_sheets(offers: Sequence[Offer], sheets: Sequence[Sheet]) -> Outcome:
    return Outcome(
        taken=[Taken(offer.token, None) for offer in offers if offer.token is not None],
        journals=dict([one.journal for one in sheets]),
        packs_stored=len(offers),
        readings_stored=sum([one.readings for one in sheets]),
        readings_of={one.node.id: one.readings for one in sheets},
    )


def _outcome(fates: Sequence[Judged], added: Sequence[Added]) -> Outcome:
    outcome = Outcome(packs_stored=len(added), readings_stored=sum([len(one.readings) for one in added]))
    outcome.redelivered = sum([not one.readings and not one.instants for one in added])
    taken, journals_of, readings_of = outcome.taken, outcome.journals, outcome.readings_of
    left = iter(added)
    for one in fates:
        token = one.offer.token
        if isinstance(one, Sound):
            if token is not None:
                taken.append(Taken(token, None))
            readings_of[one.node.id] = readings_of.get(one.node.id, 0) + len(next(left).readings)
            if one.pack.journal is not None:
                journals_of[one.node.id] = one.pack.journal
        else:
            _count_other(outcome, one)
    return outcome


def _count_other(outcome: Outcome, one: Told | Unsound) -> None:
    code = one.refused.code if isinstance(one, Unsound) else None
    if one.offer.token is not None:
        outcome.taken.append(Taken(one.offer.token, code))
    if isinstance(one, Unsound):
        outcome.refused.append(one.refused.code)
        if one.refused.node_id is not None and one.refused.journal is not None:
            outcome.journals[one.refused.node_id] = one.refused.journal
    elif one.node is not None and one.status is not None:
        outcome.told[one.node.id] = one.status.journal
    elif not one.is_form or one.node is None:
        outcome.states_ignored += 1

"""One group of offers, one transaction: readings, refusals, states. What it gives is committed."""

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import chain

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError

from sensors.message.errors import MessageError
from server.intake.check_store import compare, instant_rows, known
from server.intake.enrolled import Enrolment
from server.intake.judged import INTERNAL, Judge, Judged, Sound, Told, Unsound, refused
from server.intake.states import keep_heard, keep_journal, keep_state
from server.intake.thinned import without_thinned
from server.intake.values import Offer, Taken
from server.readings import clock_fixes, journals, quarantine
from server.readings.months import Month, ensure_months
from server.readings.write import Batch, Row, days_of, insert_new, mark_dirty

log = logging.getLogger("hangtrue.intake")
JournalIds = Mapping[journals.JournalKey, int]


@dataclass(slots=True, kw_only=True)
class Outcome:
    """What became of a group. `journals`: of each node touched by a pack, the journal; `told`: by a state."""

    taken: list[Taken] = field(default_factory=list)
    journals: dict[int, str] = field(default_factory=dict)
    told: dict[int, str] = field(default_factory=dict)
    packs_stored: int = 0
    readings_stored: int = 0
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


@dataclass(frozen=True, slots=True)
class _Added:
    """What one pack added to the store."""

    readings: Sequence[Row]
    seqs: Sequence[int]


_NOTHING_NEW = _Added((), ())


class Committer:
    """Stores groups of offers. Used by one thread."""

    def __init__(self, engine: Engine, enrolment: Enrolment, *, clock_ms: Callable[[], int]) -> None:
        self._engine = engine.execution_options(immediate=True)
        self._enrolment, self._clock_ms = enrolment, clock_ms
        self._months: set[Month] = set()
        self._journal_ids: dict[journals.JournalKey, int] = {}
        self.judge = Judge(enrolment)

    def commit(self, offers: Sequence[Offer]) -> Outcome:
        """Check and store these offers; returns once they are committed, all or none.

        Raises DBAPIError when the store fails: then nothing of the group is stored.
        """
        judged = [self.judge.judge(offer) for offer in offers]
        sound = [one for one in judged if isinstance(one, Sound)]
        now = datetime.fromtimestamp(self._clock_ms() / 1000, UTC)
        ensure_months(self._engine, (ms for one in sound for _, ms, _ in one.pack.readings), self._months)
        with self._engine.begin() as connection:
            ids = self._ids(connection, judged, now)
            added = _store(connection, sound, ids, self._enrolment)
            fates = [_fate(one, added) for one in judged]
            self._keep(connection, fates, ids, now)
        self._journal_ids.update(ids)
        return _outcome(fates, added)

    def replay(self, held: quarantine.Held) -> "Replayed | None":
        """Check a held pack again, with its original arrival; stored it leaves quarantine, refused it stays.

        None when it is not held any more, or only counted. Raises DBAPIError when the store fails.
        """
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
            ids = self._ids(connection, sound, now)
            added = _store(connection, sound, ids, self._enrolment)
            fate = _fate(one, added)
            if isinstance(fate, Unsound):
                quarantine.keep_holding(connection, held.id, fate.refused)
            else:
                quarantine.release(connection, held.id, now=now)
        return _replayed(fate, added)

    def _ids(self, connection: Connection, judged: Sequence[Judged], now: datetime) -> JournalIds:
        keys = {key for key in map(_journal_key, judged) if key is not None}
        # on PostgreSQL the look-up is what locks a journal against another collector
        if connection.dialect.name == "sqlite" and keys <= self._journal_ids.keys():
            return {key: self._journal_ids[key] for key in keys}
        return journals.journal_ids(connection, keys, now=now)

    def _keep(self, connection: Connection, fates: Sequence[Judged], ids: JournalIds, now: datetime) -> None:
        """All of a group but its readings."""
        quarantine.hold(connection, [one.refused for one in fates if isinstance(one, Unsound)], now=now)
        heard: dict[int, int] = {}
        for one in fates:
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


def _journal_key(one: Judged) -> journals.JournalKey | None:
    if isinstance(one, Sound) and one.pack.journal is not None:
        return one.node.id, one.pack.journal
    if isinstance(one, Told) and one.node is not None and one.status is not None:
        return one.node.id, one.status.journal
    return None


_Results = dict[int, "_Added | Unsound"]  # by id() of the sound pack


def _store(connection: Connection, sound: Sequence[Sound], ids: JournalIds, enrolment: Enrolment) -> _Results:
    """Store all at once; pack by pack when something of them was stored before, or is at fault."""
    results = _store_kept(connection, without_thinned(connection, sound), ids, enrolment)
    results = {id(one): result for one, result in zip(sound, results.values(), strict=True)}
    days: set[tuple[int, int]] = set()
    seqs: dict[int, list[int]] = {}
    for one in sound:
        added = results[id(one)]
        if isinstance(added, _Added):
            days |= days_of(added.readings)
            if one.pack.clock == "drift":
                days |= clock_fixes.days_of(connection, one.node.id, added.readings)
            if added.seqs and one.pack.journal is not None:
                seqs.setdefault(ids[one.node.id, one.pack.journal], []).extend(added.seqs)
    journals.merge_spans(connection, seqs)
    latest_ms = max((one.offer.arrival_ms for one in sound), default=0)
    mark_dirty(connection, days, touched_ms=latest_ms)
    return results


def _store_kept(
    connection: Connection, sound: Sequence[Sound], ids: JournalIds, enrolment: Enrolment
) -> _Results:
    """What each pack added, in their order."""
    results = _store_at_once(connection, sound, ids)
    if results is not None:
        return results
    again = known(connection, [(one.pack, _journal_id(one, ids)) for one in sound])
    return {
        id(one): _NOTHING_NEW if is_known else _store_one(connection, one, ids, enrolment)
        for one, is_known in zip(sound, again, strict=True)
    }


def _store_at_once(connection: Connection, sound: Sequence[Sound], ids: JournalIds) -> _Results | None:
    readings: list[Row] = list(chain.from_iterable(_rows(one) for one in sound))
    instants = list(chain.from_iterable(instant_rows(one.pack, _journal_id(one, ids)) for one in sound))
    savepoint = connection.begin_nested()
    try:
        new = insert_new(connection, Batch(readings=readings, instants=instants))
    except Exception as fault:  # the loop that must live on: whose fault it is shows pack by pack
        if is_store_failing(fault):
            raise
        new = (-1, -1)
    if new != (len(readings), len(instants)):
        savepoint.rollback()
        return None
    savepoint.commit()
    return {id(one): _Added(_rows(one), [seq for seq, _ in one.pack.instants]) for one in sound}


def _store_one(connection: Connection, one: Sound, ids: JournalIds, enrolment: Enrolment) -> _Added | Unsound:
    try:
        with connection.begin_nested():
            fresh = compare(connection, one.pack, _journal_id(one, ids))
            insert_new(connection, fresh.batch)
            return _Added(fresh.batch.readings, [seq for _, seq, _, _ in fresh.batch.instants])
    except MessageError as fault:
        return Unsound(one.offer, refused(one.offer, enrolment, fault))
    except Exception as fault:  # the loop that must live on: one pack's trouble is its own
        if is_store_failing(fault):
            raise
        log.exception("a pack on %r could not be stored; it is kept in quarantine", one.offer.topic[:80])
        return Unsound(one.offer, refused(one.offer, enrolment, INTERNAL))


def is_store_failing(fault: Exception) -> bool:
    """Whether it is the database that fails, and not what it was given."""
    return isinstance(fault, DBAPIError) and not isinstance(fault, IntegrityError | DataError)


def _journal_id(one: Sound, ids: JournalIds) -> int | None:
    return None if one.pack.journal is None else ids[one.node.id, one.pack.journal]


def _rows(one: Sound) -> Sequence[Row]:
    return one.pack.readings  # type: ignore[return-value]  # the keys of our own store are whole numbers


def _fate(one: Judged, added: _Results) -> Judged:
    """The offer as the store left it."""
    result = added.get(id(one))
    return result if isinstance(result, Unsound) else one


def _replayed(fate: Judged, added: _Results) -> Replayed:
    if isinstance(fate, Sound):
        new = added[id(fate)]
        assert isinstance(new, _Added)  # noqa: S101  (an unsound one is another fate)
        return Replayed(
            code=None, node_id=fate.node.id, journal=fate.pack.journal, readings=len(new.readings)
        )
    assert isinstance(fate, Unsound)  # noqa: S101  (a state is never held)
    return Replayed(code=fate.refused.code, node_id=fate.refused.node_id, journal=fate.refused.journal)


def _outcome(fates: Sequence[Judged], added: _Results) -> Outcome:
    outcome = Outcome()
    for one in fates:
        code = one.refused.code if isinstance(one, Unsound) else None
        if one.offer.token is not None:
            outcome.taken.append(Taken(token=one.offer.token, code=code))
        if isinstance(one, Sound):
            _count_sound(outcome, one, added[id(one)])
        elif isinstance(one, Unsound):
            outcome.refused.append(one.refused.code)
            if one.refused.node_id is not None and one.refused.journal is not None:
                outcome.journals[one.refused.node_id] = one.refused.journal
        elif one.node is not None and one.status is not None:
            outcome.told[one.node.id] = one.status.journal
        elif not one.is_form or one.node is None:
            outcome.states_ignored += 1
    return outcome


def _count_sound(outcome: Outcome, one: Sound, added: "_Added | Unsound") -> None:
    assert isinstance(added, _Added)  # noqa: S101  (an unsound one is another fate)
    outcome.packs_stored += 1
    outcome.readings_stored += len(added.readings)
    outcome.redelivered += not added.readings and not added.seqs
    if one.pack.journal is not None:
        outcome.journals[one.node.id] = one.pack.journal

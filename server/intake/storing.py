"""What a group of sound packs adds to the store: all at once where all is new, else by smaller groups."""

import logging
from collections.abc import Iterator, Mapping, Sequence
from itertools import chain
from operator import itemgetter
from typing import NamedTuple

from sqlalchemy import Connection
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError

from sensors.message.check import Pack
from sensors.message.errors import MessageError
from server.intake.check_store import compare, instant_rows, known
from server.intake.enrolled import Enrolment
from server.intake.judged import INTERNAL, Sound, Unsound, refused
from server.intake.thinned import without_thinned
from server.readings import clock_fixes, journals
from server.readings.write import Batch, Days, Row, are_stored, insert_new, mark_dirty

log = logging.getLogger("hangtrue.intake")
FEW = 32
JournalIds = Mapping[journals.JournalKey, int]
_SEQ, _T_MS = itemgetter(0), itemgetter(1)


class Added(NamedTuple):
    """What one pack added to the store: its readings, and (seq, ms) of its instants."""

    readings: Sequence[Row]
    instants: Sequence[tuple[int, int]]


NOTHING_NEW = Added((), ())


class SomeStoredError(Exception):
    """Of a group that was to be stored at once something is stored already, or is at fault."""


def store_whole(connection: Connection, sound: Sequence[Sound], ids: JournalIds) -> list[Added]:
    """Store a group at once; what each pack added, in order.

    The journals are held only once the readings are in, so that two collectors put theirs in side by side.
    Raises SomeStoredError where not all of it is new: then the transaction must be rolled back.
    """
    added = _insert(connection, without_thinned(connection, sound), ids)
    journals.hold(connection, ids.values())
    _mark(connection, sound, added, ids)
    return added


def store_each(
    connection: Connection, sound: Sequence[Sound], ids: JournalIds, enrolment: Enrolment
) -> list[Added | Unsound]:
    """Store what of a group is not stored yet; what each pack added, or why it may not be stored.

    The journals are held from the first: what is compared must not come in meanwhile by another collector.
    """
    journals.hold(connection, ids.values())
    kept = without_thinned(connection, sound)
    if are_stored(connection, _batch(kept, ids)):  # a redelivery, as after a lost connection
        return [NOTHING_NEW] * len(sound)
    added = _store_part(connection, kept, ids, enrolment)
    _mark(connection, sound, added, ids)
    return added


def insert_all_new(connection: Connection, batch: Batch) -> None:
    """Insert rows that are all new. Raises SomeStoredError where they are not, or are at fault."""
    try:
        new = insert_new(connection, batch)
    except Exception as fault:  # the loop that must live on: whose fault it is shows in smaller groups
        if is_store_failing(fault):
            raise
        raise SomeStoredError from fault
    if new != (len(batch.readings), len(batch.instants)):
        raise SomeStoredError


def is_store_failing(fault: Exception) -> bool:
    """Whether it is the database that fails, and not what it was given."""
    return isinstance(fault, DBAPIError) and not isinstance(fault, IntegrityError | DataError)


def is_deadlock(fault: DBAPIError) -> bool:
    """Whether this transaction and another each waited for the other, and this one was ended for it.

    Source: PostgreSQL manual, appendix A: 40P01 deadlock_detected.
    """
    return getattr(fault.orig, "sqlstate", None) == "40P01"


def _batch(kept: Sequence[Sound], ids: JournalIds) -> Batch:
    return Batch(
        readings=list(chain.from_iterable([_rows(one.pack) for one in kept])),
        instants=[row for one in kept for row in instant_rows(one.pack, _journal_id(one, ids))],
    )


def _store_together(connection: Connection, fresh: Sequence[Sound], ids: JournalIds) -> list[Added] | None:
    """Those of a group that nothing is known of; None where not all of it is new after all."""
    savepoint = connection.begin_nested()
    try:
        added = _insert(connection, fresh, ids)
    except SomeStoredError:
        savepoint.rollback()
        return None
    savepoint.commit()
    return added


def _store_part(
    connection: Connection, kept: Sequence[Sound], ids: JournalIds, enrolment: Enrolment
) -> list[Added | Unsound]:
    """What each of these adds; where they do not go together, each half by itself, one after the other.

    So a fault among many, or packs that came on two connections, cost a few rounds and not one a pack. A few
    packs go one by one: where many are at fault, halving them further would only ask again.
    """
    again = known(connection, [(one.pack, _journal_id(one, ids)) for one in kept])
    fresh = [one for one, is_known in zip(kept, again, strict=True) if not is_known]
    results: Iterator[Added | Unsound]
    if (together := _store_together(connection, fresh, ids)) is not None:
        results = iter(together)
    elif len(fresh) <= FEW:
        results = iter([_store_one(connection, one, ids, enrolment) for one in fresh])
    else:
        half = len(fresh) // 2
        parts = (fresh[:half], fresh[half:])
        results = chain.from_iterable(_store_part(connection, one, ids, enrolment) for one in parts)
    return [NOTHING_NEW if is_known else next(results) for is_known in again]


def _insert(connection: Connection, kept: Sequence[Sound], ids: JournalIds) -> list[Added]:
    insert_all_new(connection, _batch(kept, ids))
    return [Added(_rows(one.pack), one.pack.instants) for one in kept]


def _store_one(connection: Connection, one: Sound, ids: JournalIds, enrolment: Enrolment) -> Added | Unsound:
    try:
        with connection.begin_nested():
            fresh = compare(connection, one.pack, _journal_id(one, ids))
            insert_new(connection, fresh.batch)
            return Added(fresh.batch.readings, [(seq, ms) for _, seq, ms, _ in fresh.batch.instants])
    except MessageError as fault:
        return Unsound(one.offer, refused(one.offer, enrolment, fault))
    except Exception as fault:  # the loop that must live on: one pack's trouble is its own
        if is_store_failing(fault):
            raise
        log.exception("a pack on %r could not be stored; it is kept in quarantine", one.offer.topic[:80])
        return Unsound(one.offer, refused(one.offer, enrolment, INTERNAL))


def _mark(
    connection: Connection, sound: Sequence[Sound], added: Sequence[Added | Unsound], ids: JournalIds
) -> None:
    """Mark the days that are to be rolled up anew, and merge the runs that are stored."""
    days, drifted = Days(), set[tuple[int, int]]()
    seqs: dict[int, list[int]] = {}
    for (_, node, pack), its in zip(sound, added, strict=True):
        if isinstance(its, Unsound):
            continue
        readings, instants = its
        # of a pack that is stored whole its instants tell all moments
        days.add(readings, [*map(_T_MS, instants)] if instants is pack.instants else None)
        if pack.clock == "drift":
            drifted |= clock_fixes.days_of(connection, node.id, readings)
        if instants and pack.journal is not None:
            seqs.setdefault(ids[node.id, pack.journal], []).extend(map(_SEQ, instants))
    journals.merge_spans(connection, seqs)
    latest_ms = max([one.offer.arrival_ms for one in sound], default=0)
    mark_dirty(connection, days.pairs() | drifted, touched_ms=latest_ms)


def _journal_id(one: Sound, ids: JournalIds) -> int | None:
    return None if one.pack.journal is None else ids[one.node.id, one.pack.journal]


def _rows(pack: Pack) -> Sequence[Row]:
    return pack.readings  # type: ignore[return-value]  # the keys of our own store are whole numbers

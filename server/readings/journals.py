"""Journals of the nodes: their stored runs, how far back they reach, and what is said of a drifting clock."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from functools import lru_cache
from itertools import chain

from sqlalchemy import Connection, insert, select, tuple_, update
from sqlalchemy.dialects import postgresql, sqlite

from sensors.message.clock import Fix, is_suspect
from sensors.message.statement import Span, spans_of
from server.readings.raw import rows_of, run, run_each
from server.readings.tables import ClockFix, Journal, JournalSpan

JournalKey = tuple[int, str]  # node, code
Run = tuple[int, int, int]  # journal id, first, last


def journal_ids(
    connection: Connection, keys: Iterable[JournalKey], *, now: datetime
) -> dict[JournalKey, int]:
    """The id of each journal, made when new."""
    wanted = sorted(set(keys))
    if not wanted:
        return {}
    found = _find_journals(connection, wanted)
    missing = [key for key in wanted if key not in found]
    if missing:
        dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
        rows = [{"node_id": node_id, "code": code, "first_seen": now, "tail": 1} for node_id, code in missing]
        connection.execute(dialect.insert(Journal).on_conflict_do_nothing(), rows)
        found = _find_journals(connection, wanted)
    return found


def hold(connection: Connection, journal_ids: Iterable[int]) -> None:
    """Wait until no other collector has these journals, and have them until the commit.

    On SQLite every writer has the whole file already.
    """
    if connection.dialect.name == "postgresql" and (wanted := sorted(set(journal_ids))):
        rows_of(connection, "SELECT 1 FROM journal WHERE id = ANY(%s) ORDER BY id FOR UPDATE", (wanted,))


def merge_spans(connection: Connection, stored: Mapping[int, Iterable[int]]) -> None:
    """Add stored sequence numbers, by journal id, to the merged runs. Hold the journals first."""
    # all at once: of two collectors each sees every other number of a journal, so each number is a run
    new = {journal_id: spans_of(seqs) for journal_id, seqs in sorted(stored.items())}
    runs = [(journal_id, *span) for journal_id, found in new.items() for span in found]
    whole = [(journal_id, found[0][0], found[-1][1]) for journal_id, found in new.items() if found]
    there = set(_touching(connection, whole))
    merged = _joined([*runs, *there])
    starts = {one[:2] for one in merged}
    _change(connection, _SHORTER, [one[:2] for one in there if one[:2] not in starts])
    _change(connection, _LONGER, [one for one in merged if one not in there])


def spans(connection: Connection, journal_id: int) -> list[Span]:
    """The merged runs that are stored, ascending."""
    chosen = select(JournalSpan.seq_from, JournalSpan.seq_to).where(JournalSpan.journal_id == journal_id)
    return [(first, last) for first, last in connection.execute(chosen.order_by(JournalSpan.seq_from))]


def tail(connection: Connection, journal_id: int) -> int:
    """The oldest sequence number that the node still has."""
    return connection.execute(select(Journal.tail).where(Journal.id == journal_id)).scalar_one()


def move_tail(connection: Connection, journal_id: int, seq: int) -> None:
    """What lies below `seq` is not coming any more. A tail never moves back."""
    behind = (Journal.id == journal_id) & (Journal.tail < seq)
    connection.execute(update(Journal).where(behind).values(tail=seq))


def close_others(connection: Connection, node_id: int, journal_id: int, *, now: datetime) -> bool:
    """The node writes this journal now: it is open, its others end. Whether it had ended before.

    A journal ends when its node is wiped and begins another; one that comes back is of a second node.
    """
    others = (Journal.node_id == node_id) & (Journal.id != journal_id) & Journal.closed.is_(None)
    connection.execute(update(Journal).where(others).values(closed=now))
    ended = (Journal.id == journal_id) & Journal.closed.is_not(None)
    return connection.execute(update(Journal).where(ended).values(closed=None)).rowcount > 0


def present_journals(connection: Connection) -> list[JournalKey]:
    """Of each node the journal that it writes: the newest that is not closed."""
    chosen = select(Journal.node_id, Journal.code).where(Journal.closed.is_(None)).order_by(Journal.id)
    newest: dict[int, str] = {}
    for node_id, code in connection.execute(chosen):
        newest[node_id] = code
    return list(newest.items())


def add_clock_fix(connection: Connection, journal_id: int, fix: Fix, *, ppm: int) -> bool:
    """Keep what a node says of its drift, once; whether it is new."""
    t0_ms, t1_ms, off_ms = fix
    values = {"journal_id": journal_id, "t0_ms": t0_ms, "t1_ms": t1_ms, "off_ms": off_ms}
    same = [getattr(ClockFix, name) == value for name, value in values.items()]
    if connection.execute(select(ClockFix.id).where(*same)).scalar() is not None:
        return False
    connection.execute(insert(ClockFix).values(**values, suspect=int(is_suspect(fix, ppm))))
    return True


def _find_journals(connection: Connection, wanted: Sequence[JournalKey]) -> dict[JournalKey, int]:
    chosen = select(Journal.node_id, Journal.code, Journal.id).where(
        tuple_(Journal.node_id, Journal.code).in_(wanted)
    )
    return {(node_id, code): journal_id for node_id, code, journal_id in connection.execute(chosen)}


def _joined(runs: Iterable[Run]) -> list[Run]:
    """Runs without those that another holds or meets, ascending."""
    joined: list[Run] = []
    for journal_id, first, last in sorted(runs):
        if joined and joined[-1][0] == journal_id and first <= joined[-1][2] + 1:
            joined[-1] = (journal_id, joined[-1][1], max(last, joined[-1][2]))
        else:
            joined.append((journal_id, first, last))
    return joined


def _change(connection: Connection, statements: Mapping[str, str], rows: Sequence[tuple[int, ...]]) -> None:
    if not rows:
        return
    if connection.dialect.name == "postgresql":
        columns = tuple(list(column) for column in zip(*rows, strict=True))
        run(connection, statements["postgresql"], columns)
    else:
        run_each(connection, statements["sqlite"], rows)


def _touching(connection: Connection, new: Sequence[Run]) -> list[Run]:
    found: list[Run] = []
    for begin in range(0, len(new), _ASKED):
        asked = new[begin : begin + _ASKED]
        if connection.dialect.name == "postgresql":
            rows = rows_of(connection, _TOUCHING_OF, tuple(list(part) for part in zip(*asked, strict=True)))
        else:
            rows = rows_of(connection, _touching_sql(len(asked)), tuple(chain.from_iterable(asked)))
        found += [(journal_id, low, high) for journal_id, low, high in rows]
    return found


_HEAD = "INSERT INTO journal_span (journal_id, seq_from, seq_to)"
_TAIL = "ON CONFLICT (journal_id, seq_from) DO UPDATE SET seq_to = excluded.seq_to"
_LONGER = {
    "sqlite": f"{_HEAD} VALUES (?, ?, ?) {_TAIL}",
    "postgresql": f"{_HEAD} SELECT * FROM unnest(%s::bigint[], %s::bigint[], %s::bigint[]) {_TAIL}",  # noqa: S608  (marks alone)
}
_SHORTER = {
    "sqlite": "DELETE FROM journal_span WHERE journal_id = ? AND seq_from = ?",
    "postgresql": "DELETE FROM journal_span s USING unnest(%s::bigint[], %s::bigint[]) AS g(j, f) "
    "WHERE s.journal_id = g.j AND s.seq_from = g.f",
}
_ASKED = 500  # runs in one query
_TOUCHES = (
    "SELECT s.journal_id, s.seq_from, s.seq_to FROM {} CROSS JOIN journal_span s "
    "WHERE s.journal_id = g.j AND s.seq_from <= g.e + 1 AND s.seq_to >= g.b - 1"
)
_TOUCHING_OF = _TOUCHES.format("unnest(%s::bigint[], %s::bigint[], %s::bigint[]) AS g(j, b, e)")


@lru_cache
def _touching_sql(runs: int) -> str:
    return f"WITH g(j, b, e) AS (VALUES {','.join(['(?,?,?)'] * runs)}) " + _TOUCHES.format("g")

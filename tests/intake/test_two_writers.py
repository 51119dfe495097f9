"""Two collectors on one journal: readings go in side by side; if each waits for the other, one gives way."""

import threading
from collections.abc import Callable
from time import monotonic, sleep

import pytest
from sqlalchemy import Connection, Engine, text

from server.database import session_of
from server.intake.commit import Committer, Outcome
from server.intake.enrolled import Enrolment
from server.intake.storing import store_each
from server.readings import journals
from tests.intake.test_storing import NOW, Bench
from tests.intake.yard import ARRIVAL_MS, JOURNAL, north_pack, offer

pytestmark = pytest.mark.parametrize("database_url", ["postgres"], indirect=True)
WAITS = "SELECT count(*) FROM pg_stat_activity WHERE :holder = ANY(pg_blocking_pids(pid))"
HAS_PUT_IN = (
    "SELECT count(*) FROM pg_locks WHERE relation = CAST(:table AS regclass) AND mode = 'RowExclusiveLock'"
)


def until(there: Callable[[], bool]) -> None:
    end_s = monotonic() + 20
    while not there():
        assert monotonic() < end_s
        sleep(0.005)


class Other:
    """A second collector's commit of one group, in a thread of its own."""

    def __init__(self, bench: Bench, *payloads: bytes) -> None:
        enrolment = Enrolment(bench.engine)
        enrolment.read()
        self.committer = Committer(bench.engine, enrolment, clock_ms=lambda: ARRIVAL_MS)
        self.offers = [offer(payload) for payload in payloads]
        self.outcomes: list[Outcome] = []
        self.thread = threading.Thread(target=self._commit)

    def _commit(self) -> None:
        self.outcomes.append(self.committer.commit(self.offers))
        self.committer.close()

    def end(self) -> Outcome:
        """What it says once it has committed."""
        self.thread.join(30)
        (outcome,) = self.outcomes
        return outcome


def _holder(connection: Connection) -> int:
    return int(connection.execute(text("SELECT pg_backend_pid()")).scalar_one())


def _is_waiting(engine: Engine, holder: int) -> bool:
    with engine.connect() as connection:
        return bool(connection.execute(text(WAITS), {"holder": holder}).scalar())


def _has_put_in(engine: Engine, table: str) -> bool:
    with engine.connect() as connection:
        return bool(connection.execute(text(HAS_PUT_IN), {"table": table}).scalar())


@pytest.mark.parametrize("packs", [1, 8], ids=["pack by pack", "as columns"])
def test_readings_are_put_in_while_another_has_the_journal(engine: Engine, packs: int) -> None:
    bench = Bench(engine)
    bench.committer.commit([offer(north_pack(1))])
    other = Other(bench, *(north_pack(2 + k) for k in range(packs)))
    with session_of(engine) as session:
        (journal_id,) = journals.journal_ids(session.connection(), [(1, JOURNAL)], now=NOW).values()
        journals.hold(session.connection(), [journal_id])
        holder = _holder(session.connection())
        other.thread.start()
        until(lambda: _is_waiting(engine, holder))
        assert _has_put_in(engine, "instant")
        assert not other.outcomes
    assert other.end().packs_stored == packs
    assert bench.stored()[2] == [(1, 1 + packs)]


def test_where_each_waits_for_the_other_one_gives_way_and_all_is_stored_once(engine: Engine) -> None:
    # the same packs came to both, as after a lost connection: one has the journal, the other the readings
    bench = Bench(engine)
    bench.committer.commit([offer(north_pack(1))])
    packs = [north_pack(2 + k) for k in range(8)]
    other = Other(bench, *packs)
    sound = bench.sound(*packs)
    with session_of(engine) as session:
        connection = session.connection()
        connection.execute(text("SET LOCAL deadlock_timeout = '60s'"))  # it is the other that looks first
        ids = journals.journal_ids(connection, [(sound[0].node.id, JOURNAL)], now=NOW)
        journals.hold(connection, ids.values())
        holder = _holder(session.connection())
        other.thread.start()
        until(lambda: _is_waiting(engine, holder))
        added = store_each(connection, sound, ids, bench.enrolment)
    outcome = other.end()
    assert all(added)
    assert (len(outcome.taken), outcome.readings_stored, outcome.redelivered) == (8, 0, 8)
    assert bench.stored()[:3] == (18, 9, [(1, 9)])

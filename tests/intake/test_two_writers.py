"""Two collectors on one journal: readings go in side by side; if each waits for the other, one gives way."""

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import pytest
from sqlalchemy import Connection, Engine, event, text

from sensors.message.plain import LEARN_AFTER
from server.database import session_of
from server.intake.commit import Committer, Outcome
from server.intake.enrolled import Enrolment
from server.intake.sheets import sheets_of
from server.intake.statements import Stater
from server.intake.storing import Added, store_each
from server.intake.values import DownlinkValue, Offer
from server.readings import journals
from tests.fakes.intake import wait_for
from tests.intake.test_storing import NOW, Bench
from tests.intake.yard import ARRIVAL_MS, JOURNAL, north_pack, offer

pytestmark = pytest.mark.parametrize("database_url", ["postgres"], indirect=True)
WAITS = "SELECT count(*) FROM pg_stat_activity WHERE :holder = ANY(pg_blocking_pids(pid))"
HAS_PUT_IN = (
    "SELECT count(*) FROM pg_locks WHERE relation = CAST(:table AS regclass) AND mode = 'RowExclusiveLock'"
)
KNOWN = 1 + LEARN_AFTER  # the first number of a pack whose form the other knows


class Other:
    """A second collector; what it does goes on in a thread of its own, until it must wait."""

    def __init__(self, bench: Bench) -> None:
        self.enrolment = Enrolment(bench.engine)
        self.enrolment.read()
        self.committer = Committer(bench.engine, self.enrolment, clock_ms=lambda: ARRIVAL_MS)
        self.done: list[Any] = []
        self.thread = threading.Thread()

    def begin(self, step: Callable[[], object]) -> None:
        """Begin a step, in the thread."""
        self.thread = threading.Thread(target=lambda: self.done.append(step()))
        self.thread.start()

    def end(self) -> Any:
        """What the step gave."""
        self.thread.join(30)
        (given,) = self.done
        return given


@pytest.fixture
def bench(engine: Engine) -> Bench:
    """A yard with one pack stored."""
    made = Bench(engine)
    made.committer.commit([offer(north_pack(1))])
    made.committer.close()
    return made


@pytest.fixture
def other(bench: Bench) -> Iterator[Other]:
    """Another collector of it, which knows the form of its packs."""
    made = Other(bench)
    for seq in range(1, KNOWN):
        made.committer.commit([offer(north_pack(seq))])
    yield made
    if made.thread.ident is not None:
        made.thread.join(30)
    made.committer.close()


@contextmanager
def having(bench: Bench) -> Iterator[Connection]:
    """A transaction that has the journal while the block runs."""
    with session_of(bench.engine.engine) as session:
        connection = session.connection()
        journals.hold(connection, journals.journal_ids(connection, [(1, JOURNAL)], now=NOW).values())
        yield connection


def waits_for(connection: Connection, engine: Engine) -> None:
    """Return once somebody waits for what this connection has."""
    holder = connection.execute(text("SELECT pg_backend_pid()")).scalar_one()

    def waits() -> bool:
        with engine.connect() as looking:
            return bool(looking.execute(text(WAITS), {"holder": holder}).scalar())

    wait_for(waits, "somebody to wait")


def has_put_in(engine: Engine) -> bool:
    """Whether a transaction that is not over has put instants in."""
    with engine.connect() as connection:
        return bool(connection.execute(text(HAS_PUT_IN), {"table": "instant"}).scalar())


def offers(seqs: Sequence[int]) -> list[Offer]:
    return [offer(north_pack(seq)) for seq in seqs]


@pytest.mark.parametrize("packs", [1, 8], ids=["by packs", "as columns"])
def test_readings_are_put_in_while_another_has_the_journal(
    engine: Engine, bench: Bench, other: Other, packs: int
) -> None:
    group = offers(range(KNOWN, KNOWN + packs))
    assert (sheets_of(group, other.enrolment.by_topic) is not None) == (packs > 1)
    with having(bench) as connection:
        other.begin(lambda: other.committer.commit(group))
        waits_for(connection, engine)
        assert has_put_in(engine)
        assert not other.done
    assert other.end().packs_stored == packs
    assert bench.stored()[2] == [(1, KNOWN + packs - 1)]


def test_what_comes_again_waits_for_the_journal_before_it_is_compared(
    engine: Engine, bench: Bench, other: Other
) -> None:
    group = offers([*range(1, KNOWN + 3)])
    with having(bench) as connection:
        other.begin(lambda: other.committer.commit(group))
        waits_for(connection, engine)
        assert not has_put_in(engine)
    outcome: Outcome = other.end()
    assert (outcome.packs_stored, outcome.redelivered) == (KNOWN + 2, KNOWN - 1)


def test_a_statement_waits_for_the_journal(engine: Engine, bench: Bench, other: Other) -> None:
    stater = Stater(bench.engine.engine, clock_ms=lambda: ARRIVAL_MS)
    (node,) = [one for one in other.enrolment.by_id.values() if one.id == 1]
    with having(bench) as connection:
        other.begin(lambda: stater.state(node, JOURNAL))
        waits_for(connection, engine)
        journals.merge_spans(connection, {1: [KNOWN]})
    said: DownlinkValue = other.end()
    assert f'"upto":{KNOWN}'.encode() in said.payload


def test_where_each_waits_for_the_other_one_gives_way_and_all_is_stored_once(
    engine: Engine, bench: Bench, other: Other
) -> None:
    # the same packs came to both, as after a lost connection: one has the journal, the other the readings
    group = offers(range(KNOWN, KNOWN + 8))
    sound = bench.sound(*(one.payload for one in group))
    other.committer.close()
    patient(engine, "8s")  # it looks for a deadlock once, so long after it began to wait
    with having(bench) as connection:
        connection.execute(text("SET LOCAL deadlock_timeout = '60s'"))
        other.begin(lambda: other.committer.commit(group))
        waits_for(connection, engine)
        ids = journals.journal_ids(connection, [(1, JOURNAL)], now=NOW)
        added = store_each(connection, sound, ids, bench.enrolment)
    outcome: Outcome = other.end()
    assert [len(one.readings) for one in added if isinstance(one, Added)] == [2] * 8
    assert (len(outcome.taken), outcome.readings_stored, outcome.redelivered) == (8, 0, 8)
    assert bench.stored()[:3] == (2 * (KNOWN + 7), KNOWN + 7, [(1, KNOWN + 7)])


def test_after_a_restore_no_journal_is_known_by_its_old_number(
    engine: Engine, bench: Bench, other: Other
) -> None:
    with engine.begin() as connection:  # as a restore does while the other goes on
        connection.execute(
            text("TRUNCATE reading, instant, journal, journal_span, clock_fix RESTART IDENTITY CASCADE")
        )
        (another,) = journals.journal_ids(connection, [(1, "0a0b0c0d")], now=NOW).values()
    other.committer.commit(offers([KNOWN]))
    with engine.connect() as connection:
        mine = journals.journal_ids(connection, [(1, JOURNAL)], now=NOW)[1, JOURNAL]
        assert mine != another
        assert journals.spans(connection, another) == []
        assert journals.spans(connection, mine) == [(KNOWN, KNOWN)]


def patient(engine: Engine, wait: str) -> None:
    """Let connections that are made from now on look for a deadlock only after so long."""

    @event.listens_for(engine, "connect")
    def _set(raw: Any, _record: object) -> None:
        raw.execute(f"SET deadlock_timeout = '{wait}'")
        raw.commit()

    engine.dispose()

"""A group all at once, and pack by pack where something of it is stored already; the store is the same."""

from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from sqlalchemy import Engine, event, func, select

from server.intake.commit import Committer, Outcome
from server.intake.enrolled import Enrolment
from server.intake.judged import Sound, Unsound
from server.intake.storing import FEW, NOTHING_NEW, Added, SomeStoredError, store_each, store_whole
from server.readings import journals
from server.readings.months import ensure_months
from server.readings.tables import DirtyDay, Instant, JournalSpan, Reading
from server.readings.write import DAY_MS
from tests.intake.yard import ARRIVAL_MS, JOURNAL, START_MS, enrol_world, north_pack, offer

NOW = datetime.fromtimestamp(ARRIVAL_MS / 1000, UTC)


class Bench:
    """A committer of an enrolled yard, and its packs judged."""

    def __init__(self, engine: Engine) -> None:
        enrol_world(engine)
        self.engine = engine.execution_options(immediate=True)
        self.enrolment = Enrolment(engine)
        self.enrolment.read()
        self.committer = Committer(engine, self.enrolment, clock_ms=lambda: ARRIVAL_MS)
        ensure_months(engine, [START_MS], set())

    def sound(self, *payloads: bytes) -> list[Sound]:
        """These packs, each of them sound."""
        judged = [self.committer.judge.judge(offer(payload)) for payload in payloads]
        sound = [one for one in judged if isinstance(one, Sound)]
        assert len(sound) == len(payloads)
        return sound

    def whole(self, *payloads: bytes) -> list[Added]:
        """Store them at once."""
        sound = self.sound(*payloads)
        with self.engine.begin() as connection:
            ids = journals.journal_ids(connection, [(sound[0].node.id, JOURNAL)], now=NOW)
            return store_whole(connection, sound, ids)

    def each(self, *payloads: bytes) -> list[Added | Unsound]:
        """Store what of them is new."""
        sound = self.sound(*payloads)
        with self.engine.begin() as connection:
            ids = journals.journal_ids(connection, [(sound[0].node.id, JOURNAL)], now=NOW)
            return store_each(connection, sound, ids, self.enrolment)

    def stored(self) -> tuple[int, int, list[tuple[int, int]], int]:
        """Readings, instants, stored runs, and days that are marked."""
        with self.engine.connect() as connection:
            counts = [
                connection.execute(select(func.count()).select_from(one)).scalar_one()
                for one in (Reading, Instant, DirtyDay)
            ]
            runs = connection.execute(select(JournalSpan.seq_from, JournalSpan.seq_to)).all()
        return counts[0], counts[1], sorted((first, last) for first, last in runs), counts[2]


def days(*seqs: int) -> int:
    """How many channel-days instants of these numbers touch, two channels each."""
    return 2 * len({(START_MS + 600_000 * seq) // DAY_MS for seq in seqs})


def test_a_group_that_is_new_is_stored_at_once(engine: Engine) -> None:
    bench = Bench(engine)
    packs = [north_pack(1, 3), north_pack(4), north_pack(300, 2)]
    added = bench.whole(*packs)
    assert [(len(one.readings), [seq for seq, _ in one.instants]) for one in added] == [
        (6, [1, 2, 3]),
        (2, [4]),
        (4, [300, 301]),
    ]
    assert bench.stored() == (12, 6, [(1, 4), (300, 301)], days(1, 2, 3, 4, 300, 301))


@pytest.mark.parametrize("again", [north_pack(1), north_pack(1, value=5)], ids=["again", "other value"])
def test_at_once_is_refused_where_something_is_stored_and_leaves_nothing(
    engine: Engine, again: bytes
) -> None:
    bench = Bench(engine)
    bench.whole(north_pack(1))
    before = bench.stored()
    with pytest.raises(SomeStoredError):
        bench.whole(north_pack(2), again)
    assert bench.stored() == before


def test_what_is_stored_already_adds_nothing_and_the_rest_is_stored(engine: Engine) -> None:
    bench = Bench(engine)
    bench.whole(north_pack(1), north_pack(2))
    assert bench.each(north_pack(1), north_pack(2)) == [NOTHING_NEW, NOTHING_NEW]
    mixed = bench.each(north_pack(2), north_pack(3), north_pack(1, 4), north_pack(1, value=7))
    assert mixed[0] == NOTHING_NEW
    assert [len(one.readings) if isinstance(one, Added) else one.refused.code for one in mixed[1:]] == [
        2,
        2,
        "duplicate-different-value",
    ]
    assert bench.stored() == (8, 4, [(1, 4)], days(1, 2, 3, 4))


@pytest.mark.parametrize("case", ["all came twice", "one is another's"])
def test_a_fault_among_many_costs_no_round_a_pack(engine: Engine, case: str) -> None:
    bench, rounds = Bench(engine), list[str]()
    event.listen(engine, "savepoint", lambda _connection, name: rounds.append(name))
    packs = [north_pack(seq) for seq in range(1, 65)]
    if case == "all came twice":
        added = bench.each(*packs, *packs)
        assert (added[64:], len(rounds)) == ([NOTHING_NEW] * 64, 3)
    else:
        added = bench.each(*packs[:40], north_pack(7, value=7), *packs[40:])
        assert isinstance(other := added.pop(40), Unsound)
        assert other.refused.code == "duplicate-different-value"
        assert len(rounds) < FEW + 5
    assert [len(one.readings) for one in added[:64] if isinstance(one, Added)] == [2] * 64
    assert bench.stored()[:3] == (128, 64, [(1, 64)])


def test_both_ways_leave_the_same(engine: Engine) -> None:
    bench = Bench(engine)
    packs = [north_pack(1 + 5 * number, 5) for number in range(60)]
    bench.each(*packs[:30])
    bench.whole(*packs[30:])
    assert bench.stored() == (600, 300, [(1, 300)], days(*range(1, 301)))


def test_after_a_redelivery_what_is_new_goes_at_once_again(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench, called = Bench(engine), list[str]()

    def noting(name: str) -> Callable[..., Outcome]:
        real: Callable[..., Outcome] = getattr(Committer, name)

        def call(*arguments: object) -> Outcome:
            called.append(name)
            return real(*arguments)

        return call

    for name in ("_commit_whole", "_commit_each"):
        monkeypatch.setattr(Committer, name, noting(name))
    for seq in (1, 1, 1, 2, 3):
        outcome = bench.committer.commit([offer(north_pack(seq))])
        assert outcome.packs_stored == 1
    assert called == [
        "_commit_whole",
        *("_commit_whole", "_commit_each"),  # it is found out
        "_commit_each",
        "_commit_each",  # the first that is new shows that it is over
        "_commit_whole",
    ]

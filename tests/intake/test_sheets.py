"""A group of ordinary packs, stored as columns: the same in the store as pack by pack, and no other so."""

from collections.abc import Callable, Iterator
from contextlib import closing

import pytest
from sqlalchemy import Engine, event
from sqlalchemy.exc import DBAPIError

from sensors.message.pack import pack_bytes
from sensors.message.plain import LEARN_AFTER
from server.database import session_of
from server.doors.tables import EventMark
from server.intake import sheets
from server.intake.commit import Committer
from server.intake.enrolled import Enrolment
from server.intake.sheets import FEWEST, sheets_of
from server.intake.values import Offer, Taken
from server.readings.write import BLOCKS, DAY_MS
from tests.intake.yard import (
    ARRIVAL_MS,
    JOURNAL,
    START_MS,
    channel_id,
    collecting,
    enrol_world,
    north_pack,
    offer,
    rows,
    until,
)

STEP_MS = 600_000
FIRST = 1 + LEARN_AFTER  # the numbers before it taught the form


class Bench:
    """A committer that knows the form of the packs of north."""

    def __init__(self, engine: Engine) -> None:
        enrol_world(engine)
        self.engine, self.enrolment = engine, Enrolment(engine)
        self.enrolment.read()
        self.committer = Committer(engine, self.enrolment, clock_ms=lambda: ARRIVAL_MS)
        self.committer.commit([offer(north_pack(seq)) for seq in range(1, FIRST)])

    def are_sheets(self, *offers: Offer) -> bool:
        """Whether a group of these is read as columns."""
        return sheets_of(offers, self.enrolment.by_topic) is not None


@pytest.fixture
def bench(engine: Engine) -> Iterator[Bench]:
    made = Bench(engine)
    with closing(made.committer):
        yield made


def expected(bench: Bench, last: int) -> list[tuple[int, int, float]]:
    """The readings of north's packs up to this number, as `north_pack` makes them."""
    moments = [START_MS + STEP_MS * seq for seq in range(1, last + 1)]
    gap, air = channel_id(bench.engine, "gap-lock-top"), channel_id(bench.engine, "air-rh")
    return sorted([(gap, ms, 0.4) for ms in moments] + [(air, ms, 70.0) for ms in moments])


# the fewest, so many that no block is filled, one block of each size and what is over, many instants each
@pytest.mark.parametrize(
    ("packs", "each"), [(FEWEST, 1), (BLOCKS[-1] // 2 - 1, 1), (sum(BLOCKS) // 2 + 3, 1), (9, 7)]
)
def test_all_of_it_is_stored(bench: Bench, packs: int, each: int) -> None:
    last = FIRST + packs * each - 1
    offers = [offer(north_pack(FIRST + each * n, each), token=n, at_ms=ARRIVAL_MS + n) for n in range(packs)]
    assert bench.are_sheets(*offers)
    outcome = bench.committer.commit(offers)
    engine = bench.engine
    assert sorted(rows(engine, "SELECT channel_id, t_ms, value FROM reading")) == expected(bench, last)
    instants = [(seq, START_MS + STEP_MS * seq, 0) for seq in range(1, last + 1)]
    assert rows(engine, "SELECT seq, t_ms, clock FROM instant ORDER BY seq") == instants
    assert rows(engine, "SELECT seq_from, seq_to FROM journal_span") == [(1, last)]
    days = {(channel, ms // DAY_MS) for channel, ms, _ in expected(bench, last)}
    assert set(rows(engine, "SELECT channel_id, day FROM dirty_day")) == days
    heard = rows(engine, "SELECT last_heard_ms FROM node WHERE name = 'north'")
    assert heard == [(ARRIVAL_MS + packs - 1,)]
    assert outcome.taken == [Taken(n, None) for n in range(packs)]
    (node_id,) = outcome.readings_of
    assert outcome.readings_of == {node_id: 2 * packs * each}
    assert (outcome.packs_stored, outcome.readings_stored) == (packs, 2 * packs * each)
    assert (outcome.journals, outcome.redelivered, outcome.refused) == ({node_id: JOURNAL}, 0, [])


def test_an_offer_without_a_token_is_not_answered(bench: Bench) -> None:
    offers = [offer(north_pack(FIRST + n), token=n or None) for n in range(4)]
    assert bench.are_sheets(*offers)
    outcome = bench.committer.commit(offers)
    assert (outcome.taken, outcome.packs_stored) == ([Taken(n, None) for n in (1, 2, 3)], 4)


def test_too_few_packs_of_a_node_go_pack_by_pack(bench: Bench) -> None:
    packs = [offer(north_pack(FIRST + n)) for n in range(FEWEST)]
    assert bench.are_sheets(*packs)
    assert not bench.are_sheets(*packs[1:])


def drifting(seq: int) -> bytes:
    """The same form of a node whose clock drifts."""
    instants = [(START_MS + STEP_MS * seq, [("gap-lock-top", "/", 400000, 6), ("air-rh", "%RH", 7000, 2)])]
    names = {"base_name": "saltmarsh-yard/north/", "journal": JOURNAL, "clock": "drift"}
    return pack_bytes(**names, first_seq=seq, instants=instants)  # type: ignore[arg-type]  # the words above, by name


NEXT = north_pack(FIRST)
OTHERS = {
    "a state": lambda: offer(b'{"st":"up"}', leaf="status"),
    "another node": lambda: offer(NEXT)._replace(topic="hangtrue/v1/saltmarsh-yard/south/readings"),
    "a stranger": lambda: offer(NEXT)._replace(topic="hangtrue/v1/saltmarsh-yard/nobody/readings"),
    "a retained one": lambda: offer(NEXT)._replace(retain=True),
    "no pack": lambda: offer(b"{"),
    "a drifting clock": lambda: offer(drifting(FIRST)),
}


@pytest.mark.parametrize("name", OTHERS)
def test_with_anything_else_among_them_a_group_goes_pack_by_pack(bench: Bench, name: str) -> None:
    packs = [offer(north_pack(FIRST + 1 + n)) for n in range(2 * FEWEST)]
    assert bench.are_sheets(*packs)
    assert not bench.are_sheets(*packs, OTHERS[name]())
    outcome = bench.committer.commit([*packs, OTHERS[name]()])
    assert len(outcome.taken) == len(packs) + 1
    assert [one.code for one in outcome.taken[:-1]] == [None] * len(packs)


def test_a_drifting_clock_alone_goes_pack_by_pack_even_when_its_form_is_known(bench: Bench) -> None:
    packs = [offer(drifting(FIRST + n)) for n in range(2 * LEARN_AFTER)]
    bench.committer.commit(packs[:-1])
    assert len(bench.enrolment.by_topic[packs[0].topic].table.learned.plains) == 2
    assert not bench.are_sheets(*packs[-FEWEST:])


@pytest.mark.parametrize("value", [0, 5], ids=["again", "another value"])
def test_where_something_is_stored_already_it_goes_pack_by_pack(bench: Bench, value: int) -> None:
    again = offer(north_pack(FIRST - 1, value=value), token=99)
    new = [offer(north_pack(FIRST + n), token=n) for n in range(3)]
    assert bench.are_sheets(*new, again)
    outcome = bench.committer.commit([*new, again])
    assert [one.code for one in outcome.taken] == [None] * 3 + (
        ["duplicate-different-value"] if value else [None]
    )
    assert (outcome.readings_stored, outcome.redelivered) == (6, 0 if value else 1)
    assert sorted(rows(bench.engine, "SELECT channel_id, t_ms, value FROM reading")) == expected(
        bench, FIRST + 2
    )


def test_the_same_pack_twice_in_one_group_is_stored_once(bench: Bench) -> None:
    offers = [offer(NEXT)] * FEWEST
    assert bench.are_sheets(*offers)
    outcome = bench.committer.commit(offers)
    assert (outcome.packs_stored, outcome.redelivered, outcome.readings_stored) == (FEWEST, FEWEST - 1, 2)


def test_readings_of_thinned_days_are_not_stored_again(bench: Bench) -> None:
    """The day of the instants was thinned: acknowledged, and not stored."""
    limit_ms, late_ms = START_MS + STEP_MS * (FIRST + 2), ARRIVAL_MS + 120 * DAY_MS
    with session_of(bench.engine) as session:
        session.add(EventMark(t_ms=limit_ms, kind="thinned", text="hourly means", by="hangtrue"))
    offers = [offer(north_pack(FIRST + n), at_ms=late_ms) for n in range(4)]
    assert bench.are_sheets(*offers)
    outcome = bench.committer.commit(offers)
    assert [one.code for one in outcome.taken] == [None] * 4
    stored = rows(bench.engine, "SELECT channel_id, t_ms, value FROM reading")
    last = [row for row in expected(bench, FIRST + 3) if row[1] >= limit_ms]
    assert sorted(stored) == sorted([*expected(bench, FIRST - 1), *last])


def test_a_fault_of_our_own_is_found_pack_by_pack(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def stumble(*_: object) -> None:
        raise RuntimeError("a fault in the reader of columns")

    monkeypatch.setattr(sheets, "columns_of", stumble)
    outcome = bench.committer.commit([offer(north_pack(FIRST + n)) for n in range(FEWEST)])
    assert outcome.packs_stored == FEWEST


@pytest.fixture
def opened(engine: Engine) -> Iterator[list[object]]:
    """The connections of the driver that took part in a commit, in turn."""
    found: list[object] = []

    def note(connection: object) -> None:
        found.append(connection.connection.driver_connection)  # type: ignore[attr-defined]

    event.listen(engine, "commit", note)
    yield found
    event.remove(engine, "commit", note)


def test_one_connection_is_held_from_commit_to_commit_and_given_back(
    bench: Bench, opened: list[object]
) -> None:
    opened.clear()
    for seq in (FIRST, FIRST + 1):
        bench.committer.commit([offer(north_pack(seq))])
    with bench.engine.connect() as other:
        assert other.connection.driver_connection not in opened, "it is the writer's alone"
    assert len(set(map(id, opened))) == 1
    bench.committer.close()
    assert bench.engine.pool.checkedout() == 0  # type: ignore[attr-defined]  # a pool with a count


def test_after_a_fault_of_the_store_another_connection_is_taken(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    offers = [offer(north_pack(FIRST + n)) for n in range(FEWEST)]
    held = bench.committer._held
    assert held is not None
    with monkeypatch.context() as patch:
        patch.setattr(sheets, "mark_dirty", _failing(held.dialect.loaded_dbapi.Error))
        with pytest.raises(DBAPIError):
            bench.committer.commit(offers)
    assert bench.committer._held is None
    assert rows(bench.engine, "SELECT count(*) FROM instant") == [(FIRST - 1,)], "nothing of it is left"
    assert bench.committer.commit(offers).packs_stored == FEWEST


def _failing(kind: type[Exception]) -> Callable[..., None]:
    def fail(*_: object, **__: object) -> None:
        raise DBAPIError("INSERT", None, kind("disk is full"))

    return fail


def test_the_collector_gives_its_connection_back(engine: Engine) -> None:
    enrol_world(engine)
    with collecting(engine) as (collector, kept):
        collector.offer(offer(north_pack(1)))
        until(lambda: len(kept.taken) == 1)
    assert engine.pool.checkedout() == 0  # type: ignore[attr-defined]  # a pool with a count

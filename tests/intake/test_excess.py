"""A node that sends too much: paused, noted where the house is looked at, and the others served."""

import pytest
from sqlalchemy import Engine

from server.database import session_of
from server.intake.budgets import Budgets
from server.intake.excess import flooding_nodes, note_flooding
from tests.fakes.intake import listening, wait_for
from tests.intake.raw import PING, SOUTH_USER, Heard, Socket, publish
from tests.intake.whole import enrol_users, taking_in
from tests.intake.yard import ARRIVAL_MS, north_pack, rows, until

NORTH, SOUTH = "saltmarsh-yard/north", "saltmarsh-yard/south"


def test_a_node_over_its_rate_is_noted_once_an_hour() -> None:
    with (
        listening(rate_per_minute=600, burst=3) as yard,
        Socket(yard.port) as node,
        Socket(yard.port) as south,
    ):
        south.enter(client_id="south", user=SOUTH_USER)
        node.enter()
        for number in range(1, 11):
            node.send(publish(4, number))
        yard.queue.wait(10)
        wait_for(lambda: yard.directory.flooding, "the note")
        node.send(publish(4, 11), publish(4, 12))
        yard.queue.wait(12)
        assert south.ping()
        assert yard.directory.flooding == [NORTH]


def test_a_node_whose_day_is_spent_is_not_read_until_it_is_another() -> None:
    with listening() as yard, Socket(yard.port, 5) as node, Socket(yard.port) as south:
        south.enter(client_id="south", user=SOUTH_USER)
        node.enter()
        yard.queue.spent.add(NORTH)
        wait_for(lambda: yard.count("budget_pauses") == 1, "the pause")
        node.send(publish(5, 1), PING)
        assert node.is_quiet(0.4)
        assert south.ping()
        assert (yard.queue.offers, yard.directory.flooding) == ([], [NORTH])
        yard.queue.spent.clear()
        assert node.hear() == Heard(0xD0, b"")
        assert len(yard.queue.wait(1)) == 1
        assert yard.count("budget_pauses") == 1


def test_without_a_rate_there_is_no_budget() -> None:
    """Benches, and replays of years."""
    with listening(rate_per_minute=0) as yard, Socket(yard.port) as node:
        node.enter()
        yard.queue.spent.add(NORTH)
        assert node.is_quiet(0.4)
        assert node.ping()


def test_what_is_stored_spends_the_day_and_what_is_refused_or_known_does_not(engine: Engine) -> None:
    enrol_users(engine)
    with taking_in(engine) as whole, Socket(whole.port) as node:
        budgets = whole.collector.budgets = Budgets(clock_ms=lambda: ARRIVAL_MS)
        node.enter()
        packs = [north_pack(1), north_pack(1), b"{", north_pack(2)]
        node.send(*[publish(4, number, payload=pack) for number, pack in enumerate(packs, 1)])
        assert [node.hear().identifier() for _ in packs] == [1, 2, 3, 4]
        assert budgets.spent_of(NORTH) == 4
        assert not whole.collector.is_spent(NORTH)
        budgets.spend(NORTH, 10**6, channels=2)
        assert whole.collector.is_spent(NORTH)


def test_a_pause_is_read_back_by_who_looks_at_the_house(engine: Engine) -> None:
    enrol_users(engine)
    with session_of(engine) as session:
        note_flooding(session, "saltmarsh-yard", "north", at_ms=1000)
        note_flooding(session, "saltmarsh-yard", "north", at_ms=5000)
        note_flooding(session, "saltmarsh-yard", "south", at_ms=3000)
        note_flooding(session, "saltmarsh-yard", "stranger", at_ms=9000)
    with session_of(engine) as session:
        assert flooding_nodes(session, since_ms=0) == {NORTH: 5000, SOUTH: 3000}
        assert flooding_nodes(session, since_ms=3001) == {NORTH: 5000}
        assert flooding_nodes(session, since_ms=5001) == {}


@pytest.mark.parametrize("version", [4, 5])
def test_a_flood_is_marked_in_the_database(engine: Engine, version: int) -> None:
    enrol_users(engine)
    marks = "SELECT kind, door_id, t_ms FROM event_mark"
    with taking_in(engine, rate_per_minute=600, burst=2) as whole, Socket(whole.port, version) as node:
        node.enter()
        node.send(*[publish(version, seq, payload=north_pack(seq)) for seq in range(1, 6)])
        assert [node.hear().identifier() for _ in range(5)] == [1, 2, 3, 4, 5]
        until(lambda: rows(engine, marks) == [("flooding", None, ARRIVAL_MS)])
    with session_of(engine) as session:
        assert flooding_nodes(session, since_ms=ARRIVAL_MS - 7_200_000) == {NORTH: ARRIVAL_MS}

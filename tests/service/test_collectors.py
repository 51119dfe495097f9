"""Several collectors: one at a time hears states, and the next when it ends; what is refused."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from paho.mqtt.client import Client
from sqlalchemy import Engine, text

from server.config import Broker
from server.database import open_engine
from server.errors import SettingsError
from server.intake.broker import BrokerIntake
from server.service.collectors import Turn, check_shared
from tests.fakes.intake import ARRIVAL_MS, NORTH, FakeQueue, wait_for
from tests.fakes.mosquitto import mosquitto, publish_all, publishing
from tests.intake.test_broker import place
from tests.refusals import refuses


def test_one_writer_is_one_collector(tmp_path: Path) -> None:
    with refuses(SettingsError, asked="share the readings", needed="PostgreSQL", came="SQLite"):
        check_shared(f"sqlite:///{tmp_path / 'a.db'}")
    check_shared("postgresql+psycopg://hangtrue@db.lan/hangtrue")


def test_the_next_takes_over_when_one_ends(engine: Engine, database_url: str) -> None:
    if engine.dialect.name != "postgresql":
        with refuses(SettingsError, asked="share", needed="PostgreSQL", came="one writer"):
            check_shared(database_url)
        return
    heard: dict[str, bool] = {}
    other = open_engine(database_url)
    first = Turn(engine, lambda is_ours: heard.update(first=is_ours), every_s=0.05)
    second = Turn(other, lambda is_ours: heard.update(second=is_ours), every_s=0.05)
    try:
        first.start()
        wait_for(lambda: heard.get("first"), "the first")
        second.start()
        wait_for(lambda: "second" in heard, "the second to ask")
        assert heard == {"first": True, "second": False}
        # the database ends the connection that holds it: neither is sure, until one has it again
        with engine.begin() as connection:
            sql = "SELECT pg_terminate_backend(pid) FROM pg_locks WHERE locktype = 'advisory' AND granted"
            mine = " AND objid::bigint = (hashtext(current_schema())::bigint + 4294967296) % 4294967296"
            assert connection.execute(text(sql + mine)).all() == [(True,)]
        wait_for(lambda: sorted(heard.values()) == [False, True], "one of them")
        first.stop()
        wait_for(lambda: heard == {"first": False, "second": True}, "the second")
    finally:
        first.stop()
        second.stop()
        other.dispose()
    assert heard == {"first": False, "second": False}


def test_one_that_was_never_started_ends(engine: Engine) -> None:
    Turn(engine, lambda _: None).stop()


def test_one_of_several_hears_states_only_in_its_turn(tmp_path: Path) -> None:
    """What is shared is the readings; a state that was retained comes to whoever has the turn."""
    queue = FakeQueue()
    with (
        mosquitto(tmp_path / "broker") as broker,
        taking(tmp_path, place(tmp_path, broker.port, collector=7), queue) as intake,
        publishing(broker.port) as node,
    ):
        node.publish(NORTH + "status", b'{"st":"gone"}', qos=1, retain=True).wait_for_publish(10)
        publish_all(node, NORTH + "readings", [b"first"])
        assert [one.payload for one in queue.wait(1)] == [b"first"]
        intake.hear_states(is_ours := True)
        assert [one.payload for one in queue.wait(2)] == [b"first", b'{"st":"gone"}']
        intake.hear_states(not is_ours)
        assert any(_is_silent(queue, node, tried) for tried in range(100)), "states went on to come"


def _is_silent(queue: FakeQueue, node: Client, tried: int) -> bool:
    """Whether no state came before the next reading: the broker takes the word in its own time."""
    reading = b"%d" % tried
    publish_all(node, NORTH + "status", [b'{"st":"up"}'])
    publish_all(node, NORTH + "readings", [reading])
    wait_for(lambda: queue.offers[-1].payload == reading, "the reading")
    return queue.offers[-2].payload != b'{"st":"up"}'


@contextmanager
def taking(folder: Path, settings: Broker, queue: FakeQueue) -> Iterator[BrokerIntake]:
    """An intake between a line in the test's hands and a broker; connected, and subscribed."""
    intake = BrokerIntake(queue=queue, settings=settings, clock_ms=lambda: ARRIVAL_MS, first_retry_s=0.05)
    intake.start()
    try:
        wait_for(
            lambda: "htcollector07" in (folder / "broker" / "log").read_text("utf-8"), "the client's name"
        )
        wait_for(lambda: intake.counters()["connections"], "the broker")
        yield intake
    finally:
        intake.stop()

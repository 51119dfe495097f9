"""From a publication to the API, by our listener and by a broker, on either database."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from sensors.message.statement import read_statement
from tests.fakes.mosquitto import publish_all, publishing
from tests.intake.yard import until as soon
from tests.journeys.acknowledged import BASE, CHANNELS, START_MS, STEP_MS, TOPIC, live_pack, readings_of
from tests.journeys.ways import KINDS, Way, way_in
from tests.journeys.yard import SITE, make_yard, metric, serving, until

PACKS = 20


@pytest.fixture(params=KINDS)
def way(request: pytest.FixtureRequest, database_url: str, tmp_path: Path) -> Iterator[Way]:
    """Each of the four."""
    with way_in(request.param, make_yard(tmp_path / "yard", database_url)) as made:
        yield made


def test_published_stored_acknowledged_stated_read(way: Way) -> None:
    said: list[bytes] = []
    with serving(way.yard) as served:
        until(lambda: way.broker is None or metric(served, "connections") == 1, "the broker", every_s=0.2)
        user, password = way.sender.user, way.sender.password
        with publishing(way.port(served), user=user, client_id="north", password=password) as node:
            node.on_message = lambda _client, _data, message: said.append(bytes(message.payload))
            node.subscribe(f"hangtrue/v1/{SITE}/north/ack", 1)
            publish_all(node, TOPIC.decode(), [live_pack(1 + number) for number in range(PACKS)])
            until(lambda: upto(said) == PACKS, "a statement that names all")
        # the second of two equal deliveries changes nothing
        before = way.yard.rows("SELECT count(*) FROM reading")
        with publishing(way.port(served), user=user, client_id="north", password=password) as node:
            publish_all(node, TOPIC.decode(), [live_pack(1)])
            soon(lambda: metric(served, "redelivered_total") == 1)
        assert way.yard.rows("SELECT count(*) FROM reading") == before
        told: dict[tuple[str, int], float] = {}
        for name, _, _ in CHANNELS:
            asked = {"channel": BASE + name, "from": START_MS, "to": START_MS + STEP_MS * (PACKS + 1)}
            facts = served.facts("/api/v1/readings", **asked)
            rows = zip(facts["t_ms"], facts["raw"], strict=True)
            told |= {(facts["channel"], ms): value for ms, value in rows}
    sent = [row for number in range(PACKS) for row in readings_of(1 + number)]
    assert told == {(name, ms): value for name, ms, value in sent}
    statement = json.loads(said[-1])
    assert (statement["upto"], statement["have"], statement["held"]) == (PACKS, [], [])


def upto(said: list[bytes]) -> int:
    """How far the last statement goes."""
    last = read_statement(said[-1]) if said else None
    return 0 if last is None else last.upto

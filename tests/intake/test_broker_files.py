"""The broker's files: the list of the wire's own page, and what a real broker makes of it."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from server.intake.broker_files import NodeUser, Place, Tls, access_list, configuration
from tests.fakes.intake import DEADLINE_S, NORTH, SOUTH, wait_for
from tests.fakes.mosquitto import Mosquitto, mosquitto, publishing

# the example of the contract, section 8.3; it aligns its columns
LIST = """\
user saltmarsh-yard.north.1
topic write hangtrue/v1/saltmarsh-yard/north/readings
topic write hangtrue/v1/saltmarsh-yard/north/status
topic read  hangtrue/v1/saltmarsh-yard/north/config
topic read  hangtrue/v1/saltmarsh-yard/north/ack
topic read  hangtrue/v1/saltmarsh-yard/north/secret
user collector
topic read  hangtrue/v1/+/+/readings
topic readwrite hangtrue/v1/+/+/status
topic readwrite hangtrue/v1/+/+/ack
topic write hangtrue/v1/+/+/config
topic write hangtrue/v1/+/+/secret
"""
KEPT = {
    "allow_anonymous": "false",
    "autosave_interval": "60",
    "max_inflight_messages": "2000",
    "max_queued_messages": "100000",
    "message_size_limit": "20480",
    "persistence": "true",
    "persistent_client_expiration": "60d",
}


def test_the_list_is_that_of_the_contract() -> None:
    north = NodeUser(user="saltmarsh-yard.north.1", site="saltmarsh-yard", node="north")
    assert access_list([north], collector="collector") == LIST.replace("read  ", "read ")


def place(folder: Path, **changes: object) -> Place:
    plain = {"port": 1883, "passwords": folder / "p", "access": folder / "a", "data": folder}
    return Place(**(plain | changes))  # type: ignore[arg-type]  # the names are those of Place


def test_the_configuration_keeps_what_the_contract_asks(tmp_path: Path) -> None:
    lines = configuration(place(tmp_path, address="127.0.0.1")).splitlines()
    said = dict(line.split(" ", 1) for line in lines if line and not line.startswith("#"))
    assert KEPT.items() <= said.items()
    assert said["listener"] == "1883 127.0.0.1"
    assert "certfile" not in said


def test_with_a_certificate_it_listens_to_all(tmp_path: Path) -> None:
    tls = Tls(ca=tmp_path / "ca.pem", cert=tmp_path / "server.pem", key=tmp_path / "server.key")
    lines = configuration(place(tmp_path, port=8883, tls=tls)).splitlines()
    assert "listener 8883" in lines
    assert {f"cafile {tls.ca}", f"certfile {tls.cert}", f"keyfile {tls.key}"} <= set(lines)
    assert "tls_version tlsv1.2" in lines


@pytest.mark.parametrize(
    ("topic", "is_allowed"),
    [
        (NORTH + "readings", True),
        (NORTH + "status", True),
        (SOUTH + "readings", False),
        (NORTH + "ack", False),
        (NORTH + "config", False),
        (NORTH + "secret", False),
        ("elsewhere", False),
    ],
)
def test_a_real_broker_lets_a_node_write_its_own_two_topics(
    broker: Mosquitto, topic: str, is_allowed: bool
) -> None:
    with publishing(broker.port) as node:
        told: list[bool] = []
        node.on_publish = lambda _client, _data, _mid, reason, _properties: told.append(reason.is_failure)
        node.publish(topic, b"x", qos=1).wait_for_publish(DEADLINE_S)
        wait_for(lambda: told, "the broker's answer")
    assert told == [not is_allowed]


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path_factory.mktemp("broker")) as running:
        yield running

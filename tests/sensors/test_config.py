"""The node's file: taken whole, or refused with every complaint at once."""

from pathlib import Path

import pytest

from sensors.config import Broker, Channel, NodeFileError, Simulated, read_node_file

GOOD = """\
site = "saltmarsh-yard"
node = "north"
state_dir = "/var/lib/hangtrue-node"
[broker]
host = "127.0.0.1"
port = 1883
user = "saltmarsh-yard.north.1"
[[channel]]
name = "air-temp"
unit = "Cel"
[[channel]]
name = "lock-hinge-top"
unit = "/"
decimals = 5
[simulated]
door = "north"
seed = 1
start_ms = 1700000000000
"""


def read(tmp_path: Path, text: str) -> list[str]:
    path = tmp_path / "node.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(NodeFileError) as caught:
        read_node_file(path)
    return [line.removeprefix(f"{path}:") for line in caught.value.complaints]


def test_a_good_file(tmp_path: Path) -> None:
    path = tmp_path / "node.toml"
    path.write_text(GOOD, "utf-8")
    node = read_node_file(path)
    assert (node.site, node.node, node.keep_days) == ("saltmarsh-yard", "north", 365)
    assert node.broker == Broker(host="127.0.0.1", port=1883, user="saltmarsh-yard.north.1", protocol="5")
    assert node.channels == (
        Channel(name="air-temp", unit="Cel", decimals=2),
        Channel(name="lock-hinge-top", unit="/", decimals=5),
    )
    assert node.simulated == Simulated(door="north", seed=1, start_ms=1700000000000)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('site = "saltmarsh-yard"', 'site = "Salt Marsh"', "1 site: 'Salt Marsh' came"),
        ('node = "north"\n', "", "1 node: None came"),
        ("port = 1883", "port = 70000", "6 port: 70000 came, a port from 1 to 65535 is needed"),
        ("port = 1883", "port = true", "6 port: True came"),
        ('host = "127.0.0.1"', 'hots = "127.0.0.1"', "5 hots: 'hots' came, a known key (host?) is needed"),
        (
            'host = "127.0.0.1"',
            'host = "collector.lan"',
            "5 host: 'collector.lan' came, with a host off this",
        ),
        ("port = 1883", 'ca_file = ""', "6 ca_file: '' came, the path of the site's certificate"),
        ('unit = "Cel"', 'unit = "F"', "10 unit: 'F' came, one of / Ohm"),
        (
            'name = "lock-hinge-top"',
            'name = "air-temp"',
            "12 name: 'air-temp' came, a name that no other channel has",
        ),
        ("decimals = 5", "decimals = 12", "14 decimals: 12 came, 0 to 9 is needed"),
        ("decimals = 5", 'source = "iio"', "14 source: 'iio' came, simulated (readers of hardware"),
        ("[broker]", "[brokre]", "1 brokre: 'brokre' came, a known key (broker?) is needed"),
    ],
)
def test_each_complaint_names_its_line(tmp_path: Path, old: str, new: str, said: str) -> None:
    complaints = read(tmp_path, GOOD.replace(old, new))
    assert [line for line in complaints if line.startswith(said)] != [], complaints


def test_another_computer_is_named_with_the_sites_certificate(tmp_path: Path) -> None:
    path = tmp_path / "node.toml"
    ours = 'host = "collector.lan"\nca_file = "/etc/hangtrue-node/ca.pem"'
    path.write_text(GOOD.replace('host = "127.0.0.1"', ours), "utf-8")
    broker = read_node_file(path).broker
    assert (broker.host, broker.ca_file) == ("collector.lan", "/etc/hangtrue-node/ca.pem")


def test_all_complaints_at_once(tmp_path: Path) -> None:
    text = (
        GOOD.replace("port = 1883", "port = 0")
        .replace("seed = 1", "seed = -1")
        .replace('unit = "/"', 'unit = "%"')
    )
    assert len(read(tmp_path, text)) == 3


@pytest.mark.parametrize("text", ["site = ", "\x00"])
def test_what_is_not_toml(tmp_path: Path, text: str) -> None:
    assert "not TOML" in read(tmp_path, text)[0]


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(NodeFileError) as caught:
        read_node_file(tmp_path / "none.toml")
    assert "No such file" in str(caught.value)

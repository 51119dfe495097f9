"""The node's file: read once, checked whole, every complaint at once."""

import difflib
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from sensors.message.names import MAX_NODE_NAME, is_slug, is_wire_name
from sensors.message.units import DECIMALS, LIMITS, OTHER_DECIMALS

LOOPBACK = {"127.0.0.1", "localhost", "::1"}
SOURCES = {"simulated"}
PROTOCOLS = {"5", "3.1.1"}
DOORS = {"north", "south"}
CHANNELS = 64


class NodeError(Exception):
    """A refusal of the node, in one sentence. `status`: 2 for a file or argument, 3 for broker or disk."""

    def __init__(self, asked: str, needed: str, came: str, *, status: int = 2) -> None:
        super().__init__(asked, needed, came)
        self.asked, self.needed, self.came, self.status = asked, needed, came, status

    def __str__(self) -> str:
        return f"{self.asked}: needs {self.needed}, got {self.came}"


class NodeFileError(NodeError):
    """A node file that can't be used: `complaints` has a sentence for each fault, with its line and key."""

    def __init__(self, where: str, complaints: list[str]) -> None:
        super().__init__(f"read {where}", "every line to be usable", "; ".join(complaints))
        self.complaints = complaints

    def __str__(self) -> str:
        return "\n".join([f"{self.asked}: needs {self.needed}", *self.complaints])


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """Where the node publishes, and as whom. `ca_file`: the site's own authority; empty: no TLS."""

    host: str = "127.0.0.1"
    port: int = 1883
    user: str = ""
    protocol: str = "5"
    ca_file: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """A gauge's stream: its name after `site/node/`, its unit, and the decimals it is written with."""

    name: str
    unit: str
    decimals: int
    source: str = "simulated"


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulated:
    """What the simulated source needs: the door, its seed and the day it was hung (Unix ms)."""

    door: str
    seed: int
    start_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeFile:
    """A node as its file says."""

    site: str
    node: str
    state_dir: Path
    broker: Broker
    channels: tuple[Channel, ...]
    keep_days: int = 365
    min_free_mib: int = 200
    simulated: Simulated | None = None


Keys = dict[str, tuple[Callable[[object], bool], str]]


def _text(value: object) -> bool:
    return isinstance(value, str) and value != ""


def _whole(low: int, high: int) -> Callable[[object], bool]:
    return lambda value: isinstance(value, int) and not isinstance(value, bool) and low <= value <= high


def _slug(value: object) -> bool:
    return isinstance(value, str) and is_slug(value)


def _one_of(words: set[str]) -> Callable[[object], bool]:
    return lambda value: isinstance(value, str) and value in words


SLUG_WORDS = "1 to 24 of a-z, 0-9 and -, neither first nor last a -"
TOP: Keys = {
    "site": (_slug, SLUG_WORDS),
    "node": (_slug, SLUG_WORDS),
    "state_dir": (_text, "the path of a folder"),
}
TABLES: dict[str, Keys] = {
    "broker": {
        "host": (_text, "a name or address"),
        "port": (_whole(1, 65535), "a port from 1 to 65535"),
        "user": (_text, "the user name that `hangtrue node enrol` printed"),
        "protocol": (_one_of(PROTOCOLS), '"5" or "3.1.1"'),
        "ca_file": (_text, "the path of the site's certificate"),
    },
    "spool": {
        "keep_days": (_whole(30, 3650), "days from 30 to 3650"),
        "min_free_mib": (_whole(1, 1_000_000), "MiB from 1 to 1000000"),
    },
    "simulated": {
        "door": (_one_of(DOORS), '"north" or "south"'),
        "seed": (_whole(0, 2**31), "a whole number from 0"),
        "start_ms": (_whole(1577836800000, 2**53), "Unix milliseconds from 2020 on"),
    },
}
CHANNEL: Keys = {
    "name": (
        lambda value: isinstance(value, str) and is_wire_name(value) and len(value) <= MAX_NODE_NAME,
        f"1 to {MAX_NODE_NAME} letters, digits and - : . / _, the first a letter or digit",
    ),
    "unit": (_one_of(set(LIMITS)), f"one of {' '.join(LIMITS)}"),
    "source": (_one_of(SOURCES), "simulated (readers of hardware are not in this version)"),
    "decimals": (_whole(0, 9), "0 to 9"),
}
NEEDED = ("site", "node", "state_dir")


def read_node_file(path: Path) -> NodeFile:
    """The node that `path` describes. Raises NodeFileError with every complaint at once."""
    try:
        text = path.read_text("utf-8")
        tree = tomllib.loads(text)
    except OSError as error:
        raise NodeFileError(str(path), [f"{path}: {error.strerror or 'it cannot be read'}"]) from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise NodeFileError(str(path), [f"{path}: not TOML in UTF-8: {error}"]) from None
    complaints = _Complaints(where=str(path), lines=text.splitlines())
    _check_tree(tree, complaints)
    if complaints.said:
        raise NodeFileError(str(path), complaints.said)
    return _built(tree)


@dataclass(slots=True)
class _Complaints:
    where: str
    lines: list[str]
    said: list[str] = field(default_factory=list)

    def say(self, key: str, came: object, needed: str, *, table: str = "", nth: int = 0) -> None:
        self.said.append(
            f"{self.where}:{self._line(key, table, nth)} {key[:40]}: {came!r:.40} came, {needed} is needed"
        )

    def _line(self, key: str, table: str, nth: int) -> int:
        inside, seen = "", -1
        for number, line in enumerate(self.lines, 1):
            if head := re.match(r"\s*\[+\s*([\w.-]+)\s*\]+", line):
                inside = head[1]
                seen += inside == table
            elif inside == table and seen in {-1, nth} and re.match(rf"\s*{re.escape(key)}\s*=", line):
                return number
        return 1


def _check_tree(tree: Mapping[str, object], complaints: _Complaints) -> None:
    for key in NEEDED:
        if key not in tree:
            complaints.say(key, None, TOP[key][1])
    for key, value in tree.items():
        if key == "channel":
            _check_channels(value, complaints)
        elif key in TABLES:
            _check_table(value, TABLES[key], complaints, table=key)
        else:
            _check_key(key, value, TOP, complaints)
    broker = tree.get("broker")
    if isinstance(broker, dict) and "ca_file" not in broker:
        host = broker.get("host", "127.0.0.1")
        if isinstance(host, str) and host and host not in LOOPBACK:
            needed = "with a host off this computer a ca_file, the site's certificate,"
            complaints.say("host", host, needed, table="broker")


def _check_table(value: object, keys: Keys, complaints: _Complaints, *, table: str, nth: int = 0) -> None:
    if not isinstance(value, dict):
        complaints.say(table, value, f"a table [{table}]")
        return
    for key, inner in value.items():
        _check_key(key, inner, keys, complaints, table=table, nth=nth)


def _check_key(
    key: str, value: object, keys: Keys, complaints: _Complaints, *, table: str = "", nth: int = 0
) -> None:
    if key not in keys:
        near = difflib.get_close_matches(key, [*keys, *(TABLES if not table else ())], n=1)
        complaints.say(key, key, f"a known key{f' ({near[0]}?)' if near else ''}", table=table, nth=nth)
    elif not keys[key][0](value):
        complaints.say(key, value, keys[key][1], table=table, nth=nth)


def _check_channels(value: object, complaints: _Complaints) -> None:
    if not isinstance(value, list) or not 1 <= len(value) <= CHANNELS:
        complaints.say("channel", value, f"1 to {CHANNELS} tables [[channel]]")
        return
    names: set[str] = set()
    for nth, table in enumerate(value):
        _check_table(table, CHANNEL, complaints, table="channel", nth=nth)
        for key in ("name", "unit"):
            if isinstance(table, dict) and key not in table:
                complaints.say(key, None, CHANNEL[key][1], table="channel", nth=nth)
        name = str(table.get("name")) if isinstance(table, dict) else ""
        if name in names:
            complaints.say("name", name, "a name that no other channel has", table="channel", nth=nth)
        names.add(name)


def _built(tree: Mapping[str, object]) -> NodeFile:
    table = {key: value for key, value in tree.items() if isinstance(value, dict)}
    channels = tree.get("channel", [])
    return NodeFile(
        site=str(tree["site"]),
        node=str(tree["node"]),
        state_dir=Path(str(tree["state_dir"])),
        broker=Broker(**table.get("broker", {})),
        channels=tuple(_channel(row) for row in channels) if isinstance(channels, list) else (),
        simulated=Simulated(**table["simulated"]) if "simulated" in table else None,
        **table.get("spool", {}),
    )


def _channel(row: Mapping[str, object]) -> Channel:
    unit = str(row["unit"])
    decimals = row.get("decimals", DECIMALS.get(unit, OTHER_DECIMALS))
    return Channel(
        name=str(row["name"]),
        unit=unit,
        decimals=int(str(decimals)),
        source=str(row.get("source", "simulated")),
    )

"""Settings: one TOML file and `HANGTRUE_*` over it, checked once and passed down."""

import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from difflib import get_close_matches
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from server.errors import FileError

EXAMPLE = """\
# Settings of hangtrue. Every line may be left out; what stands here is what is used then.
# HANGTRUE_DATABASE, HANGTRUE_STATE_DIR, HANGTRUE_INTAKE_BIND ... stand over the file.

state_dir = "{state_dir}"
# database = "postgresql+psycopg://hangtrue@db.lan/hangtrue"   # else a SQLite file in state_dir
# zone = "Europe/London"                                       # else the computer's
look_at = "05:00"                       # when each door is looked at, every night

[intake]
kind = "listener"                       # "broker": readings come by a broker that is there already
bind = "127.0.0.1:1883"                 # the gauges' boxes publish to this address
rate_per_minute = 120                   # packs a minute a box; 0: no bound (replays of years)
# cert = "{state_dir}/ca/server.pem"    # both, when others than this computer may connect:
# key = "{state_dir}/ca/server.key"     # hangtrue broker ca makes them

[intake.broker]                         # of the kind "broker" alone
host = "127.0.0.1"
port = 1883
user = "collector"
# password_file = "{state_dir}/broker/collector.password"   # hangtrue broker files makes it
# ca_file = "{state_dir}/ca/ca.pem"     # needed when host is another computer
collector = 0                           # 1, 2 ...: several share the work, each with its own number

[pages]
bind = "127.0.0.1:8060"                 # the pages
# base_url = "http://doors.yard.lan:8060"   # their address in messages, when readers use another

[backup]
# folder = "/mnt/backup/hangtrue"       # made every night: 7 days, 4 weeks and 12 months are kept

# Who is told when something stands. Without a channel nothing is sent; all stands on the page of alerts.
# [delivery]
# allow = ["192.168.1.4/32"]            # networks and names of this yard that a message may go to
#
# [[delivery.channel]]                  # hangtrue notice test post   sends one message to try it
# name = "post"
# kind = "mail"                         # mail, webhook, or apprise for the services of its library
# server = "mail.example.org:587"
# security = "starttls"                 # or "tls"; "none" to a server on this computer alone
# sender = "doors@example.org"
# to = "keeper@example.org"
# user = "doors@example.org"
# password_file = "/etc/hangtrue/post.password"   # chmod 600, or HANGTRUE_DELIVERY_POST_PASSWORD
# doors = ["saltmarsh-yard/north"]      # else every door
# least = "note"                        # "soon" or "today": nothing lighter
# house = true                          # disk, back-up, certificate, messages that do not pass
# quiet = "21:00-06:00"                 # nothing is sent then, by the yard's own time
#
# [[delivery.channel]]
# name = "hook"
# kind = "webhook"                      # signed as Standard Webhooks 1.0.0 says
# url = "https://example.org/notices"   # or url_file
# secret_file = "/etc/hangtrue/hook.secret"       # 24 bytes or more in base64, chmod 600
"""
LOOPBACK_HOST = "127.0.0.1"
LOOPBACK = {LOOPBACK_HOST, "localhost"}
ADDRESS = re.compile(r"^(?P<host>[A-Za-z0-9.\-]{1,253}):(?P<port>\d{1,5})$")
FORMS = {
    "look_at": re.compile(r"^(?:[01]\d|2[0-3]):[0-5]\d$"),
    "intake.kind": re.compile(r"^(?:listener|broker)$"),
    "intake.broker.host": re.compile(r"^[A-Za-z0-9.\-]{1,253}$"),
    "pages.base_url": re.compile(r"^https?://[A-Za-z0-9.\-]{1,253}(?::\d{1,5})?$"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """A host and a port; port 0 is any that is free."""

    host: str
    port: int

    @property
    def is_loopback(self) -> bool:
        """Whether nothing but this computer can reach it."""
        return self.host in LOOPBACK


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """A broker that is there already, and as whom the service connects to it. `ca_file` None: no TLS.

    collector: 0 is alone; from 1 on it is one of several that share the readings.
    """

    host: str = "127.0.0.1"
    port: int = 1883
    user: str = "collector"
    password_file: Path | None = None
    ca_file: Path | None = None
    collector: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything that can be set, and the file it stands in.

    `zone` None: the computer's. `intake_cert` None: no TLS. `backup_folder` None: no back-ups by itself.
    `base_url` None: the pages' own address. `delivery`: its table as it was written, for who sends messages.
    """

    state_dir: Path
    database: str
    zone: str | None = None
    look_at: str = "05:00"
    intake_kind: str = "listener"
    intake_bind: Address = Address(host="127.0.0.1", port=1883)
    intake_rate_per_minute: int = 120
    intake_cert: Path | None = None
    intake_key: Path | None = None
    broker: Broker = Broker()
    pages_bind: Address = Address(host="127.0.0.1", port=8060)
    backup_folder: Path | None = None
    base_url: str | None = None
    delivery: Mapping[str, object] = field(default_factory=dict)
    source: Path | None = field(default=None, compare=False)


KEYS = {
    "state_dir": "state_dir",
    "database": "database",
    "zone": "zone",
    "look_at": "look_at",
    "intake.kind": "intake_kind",
    "intake.bind": "intake_bind",
    "intake.rate_per_minute": "intake_rate_per_minute",
    "intake.cert": "intake_cert",
    "intake.key": "intake_key",
    "intake.broker.host": "host",
    "intake.broker.port": "port",
    "intake.broker.user": "user",
    "intake.broker.password_file": "password_file",
    "intake.broker.ca_file": "ca_file",
    "intake.broker.collector": "collector",
    "pages.bind": "pages_bind",
    "pages.base_url": "base_url",
    "backup.folder": "backup_folder",
}
PATHS = {"intake.cert", "intake.key", "intake.broker.password_file", "intake.broker.ca_file", "backup.folder"}
WHOLE = {
    "intake.rate_per_minute": (0, 1_000_000),
    "intake.broker.port": (1, 65535),
    "intake.broker.collector": (0, 99),
}
WANTED = {
    "look_at": "a time such as 05:00",
    "zone": "a time zone such as Europe/London",
    "intake.kind": "listener or broker",
    "intake.broker.host": "a name or address such as broker.lan",
    "pages.base_url": "an address such as http://doors.yard.lan:8060",
}


def default_state_dir(environment: Mapping[str, str]) -> Path:
    """Where the service keeps its database unless told: the systemd folder, else the user's own."""
    if given := environment.get("STATE_DIRECTORY"):
        return Path(given)
    base = (
        environment.get("XDG_STATE_HOME") or Path(environment.get("HOME", "~")).expanduser() / ".local/state"
    )
    return Path(base) / "hangtrue"


def example(environment: Mapping[str, str] = os.environ) -> str:
    """A whole settings file with its defaults."""
    return EXAMPLE.format(state_dir=default_state_dir(environment))


def read_settings(
    path: Path | None, *, environment: Mapping[str, str] = os.environ, database: str | None = None
) -> Settings:
    """Settings of a file (None: none), under the environment, under `database`.

    Raises FileError with every complaint at once, each with its line and key.
    """
    text, where = _text_of(path)
    tree = _parsed(text, where)
    complaints: list[str] = []
    delivery = _delivery(tree, where, complaints)
    given = {key: (value, f"{where}:{_line_of(text, key)}") for key, value in _flat(tree).items()}
    for key in KEYS:
        name = f"HANGTRUE_{key.replace('.', '_').upper()}"
        if name in environment:
            given[key] = (environment[name], name)
    values: dict[str, Any] = {
        KEYS[key]: _checked(key, value, place, complaints)
        for key, (value, place) in given.items()
        if _known(key, place, complaints)
    }
    _check_together(values, {key: place for key, (_, place) in given.items()}, complaints)
    if complaints:
        raise FileError(f"read the settings of {where}", "every line to be usable", complaints)
    state_dir = Path(str(values.pop("state_dir", default_state_dir(environment))))
    values["database"] = database or values.get("database") or f"sqlite:///{state_dir / 'hangtrue.db'}"
    broker = Broker(**{one.name: values[one.name] for one in fields(Broker) if one.name in values})
    return Settings(
        state_dir=state_dir,
        source=path,
        delivery=delivery,
        broker=broker,
        **{one.name: values[one.name] for one in fields(Settings) if one.name in values},
    )


def _text_of(path: Path | None) -> tuple[str, str]:
    if path is None:
        return "", "the environment"
    try:
        return path.read_text("utf-8"), str(path)
    except OSError as error:
        raise FileError(
            f"read the settings of {path}", "a file that can be read", [error.strerror or "it cannot be read"]
        ) from None
    except UnicodeDecodeError:
        raise FileError(f"read the settings of {path}", "UTF-8 text", ["other bytes came"]) from None


def _parsed(text: str, where: str) -> dict[str, object]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileError(f"read the settings of {where}", "TOML", [str(error)]) from None


def _delivery(tree: dict[str, object], where: str, complaints: list[str]) -> dict[str, object]:
    """The table of messages, taken out as it is: what sends them knows its settings."""
    table = tree.pop("delivery", {})
    if isinstance(table, dict):
        return table
    complaints.append(f"{where} delivery: {table!r:.40} came, a table [delivery] is needed")
    return {}


def _flat(tree: Mapping[str, object], prefix: str = "") -> dict[str, object]:
    flat: dict[str, object] = {}
    for key, value in tree.items():
        flat |= _flat(value, f"{prefix}{key}.") if isinstance(value, dict) else {prefix + key: value}
    return flat


def _line_of(text: str, key: str) -> int:
    section, name = key.rpartition(".")[::2]
    inside = ""
    for number, line in enumerate(text.splitlines(), 1):
        if head := re.match(r"\s*\[([^\]]+)\]", line):
            inside = head[1].strip()
        elif inside == section and re.match(rf"\s*{re.escape(name)}\s*=", line):
            return number
    return 1


def _known(key: str, place: str, complaints: list[str]) -> bool:
    if key in KEYS:
        return True
    near = get_close_matches(key, KEYS, n=1)
    complaints.append(f"{place} {key[:40]}: no such setting{f'; did you mean {near[0]}?' if near else ''}")
    return False


def _checked(key: str, value: object, place: str, complaints: list[str]) -> object:
    if key.endswith(".bind"):
        return _address(key, value, place, complaints)
    if key in WHOLE:
        return _whole(key, value, place, complaints)
    wanted = WANTED.get(key, "text")
    if not isinstance(value, str) or not value or not _fits(key, value):
        complaints.append(f"{place} {key}: {value!r:.40} came, {wanted} is needed")
        return None
    return Path(value) if key in PATHS else value


def _fits(key: str, value: str) -> bool:
    if key in FORMS:
        return FORMS[key].match(value) is not None
    if key != "zone":
        return True
    try:
        ZoneInfo(value)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def _address(key: str, value: object, place: str, complaints: list[str]) -> Address | None:
    match = ADDRESS.match(value) if isinstance(value, str) else None
    if match is None or int(match["port"]) > 65535:
        complaints.append(f"{place} {key}: {value!r:.40} came, an address such as 127.0.0.1:1883 is needed")
        return None
    return Address(host=match["host"].lower(), port=int(match["port"]))


def _check_together(values: Mapping[str, Any], places: Mapping[str, str], complaints: list[str]) -> None:
    """Complain of settings that do not go with one another."""

    def say(key: str, said: str) -> None:
        complaints.append(f"{places.get(key, 'the settings')} {key}: {said}")

    is_broker = values.get("intake_kind") == "broker"
    has_pair = bool(values.get("intake_cert")) and bool(values.get("intake_key"))
    for key, name, is_safe in (
        ("intake.bind", "intake_bind", has_pair or is_broker),
        ("pages.bind", "pages_bind", False),
    ):
        if (address := values.get(name)) and not address.is_loopback and not is_safe:
            came = f"{address.host}:{address.port}"
            more = "" if key == "pages.bind" else ", or intake.cert and intake.key"
            say(
                key,
                f"{came!r} came; without encryption the service listens on this computer alone: "
                f"127.0.0.1 is needed{more}",
            )
    for key, other in (("intake.cert", "intake.key"), ("intake.key", "intake.cert")):
        if values.get(KEYS[key]) and other not in places:
            say(key, f"it came alone, {other} is needed with it")
    if is_broker and "intake.broker.password_file" not in places:
        say("intake.kind", "'broker' came, intake.broker.password_file is needed with it")
    host = str(values.get("host") or LOOPBACK_HOST)
    if is_broker and host.lower() not in LOOPBACK and "intake.broker.ca_file" not in places:
        say("intake.broker.host", f"{host!r:.40} came; off this computer intake.broker.ca_file is needed")


def _whole(key: str, value: object, place: str, complaints: list[str]) -> int:
    text, (low, high) = str(value), WHOLE[key]
    if not (text.isascii() and text.isdigit()) or isinstance(value, bool) or not low <= int(text) <= high:
        complaints.append(f"{place} {key}: {value!r:.40} came, a whole number from {low} to {high} is needed")
        return low
    return int(text)

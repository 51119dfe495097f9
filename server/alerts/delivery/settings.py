"""Channels of the settings file: `[delivery]` and its tables `[[delivery.channel]]`, checked all at once."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from urllib.parse import SplitResult, urlsplit

from server.alerts.delivery.facts import WEIGHTS
from server.alerts.delivery.guard import Network, network
from server.alerts.delivery.push import SCHEMES
from server.alerts.delivery.tries import QUIET, Quiet
from server.errors import FileError

NAME = re.compile(r"^[a-z][a-z0-9-]{0,23}$")
HOST = re.compile(r"^[A-Za-z0-9.\-]{1,253}$")
ADDRESS = re.compile(r"^[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9.-]{1,253}$")
HOST_OR_NET = re.compile(r"^[A-Za-z0-9.:\-]{1,253}(?:/\d{1,3})?$")
SECURITIES = {"starttls": 587, "tls": 465, "none": 25}
LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})
COMMON = frozenset({"name", "kind", "to", "doors", "least", "house", "quiet"})
KEYS = {
    "mail": COMMON | {"server", "security", "sender", "user", "password_file"},
    "webhook": COMMON | {"url", "url_file", "secret_file", "secret_before_file"},
    "apprise": COMMON | {"url_file"},
}
FILES = ("password_file", "url_file", "secret_file", "secret_before_file")


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Who is told by a channel from the start: which doors (None: all), from which weight, when not."""

    to: str | None = None
    doors: tuple[str, ...] | None = None
    least: str = "note"
    house: bool = True
    quiet: str = QUIET


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSettings:
    """A channel as it is set up. Secrets are not in it: it names the files that hold them.

    `kind`: mail, webhook or apprise. `allow`: networks and names that the operator opened.
    """

    name: str
    kind: str
    told: Told
    allow: tuple[Network | str, ...] = ()
    host: str = ""
    port: int = 0
    security: str = "starttls"
    sender: str = ""
    user: str | None = None
    url: SplitResult | None = None
    files: Mapping[str, Path]


@dataclass(slots=True)
class _Table:
    """One table, its place in words, and the complaints so far."""

    values: Mapping[str, object]
    place: str
    complaints: list[str]

    def complain(self, key: str, needed: str) -> None:
        value = self.values.get(key)
        came = "nothing" if value is None else "another" if key == "url" else f"{value!r:.40}"
        self.complaints.append(f"{self.place}.{key}: {came} came, {needed} is needed")

    def text(
        self, key: str, needed: str, *, default: str | None = None, form: re.Pattern[str] | None = None
    ) -> str:
        value = self.values.get(key, default)
        if not isinstance(value, str) or not value or (form is not None and not form.fullmatch(value)):
            self.complain(key, needed)
            return ""
        return value

    def one_of(self, key: str, choices: tuple[str, ...], *, default: str | None = None) -> str:
        value = self.values.get(key, default)
        if not isinstance(value, str) or value not in choices:
            self.complain(key, f"one of {', '.join(choices)}")
            return choices[0]
        return value


def read_channels(tree: Mapping[str, object], where: str) -> tuple[ChannelSettings, ...]:
    """The channels of the table `delivery` of a settings file; `where` names the file in complaints.

    Raises FileError with every complaint at once, each with its place and what is needed.
    """
    complaints: list[str] = []
    top = _Table(tree, f"{where} delivery", complaints)
    for key in sorted(set(tree) - {"allow", "channel"}):
        complaints.append(f"{top.place}.{key[:40]}: no such setting; allow and channel are")
    allow, tables = _allowed(top), _tables(top)
    channels = [_channel(table, allow) for table in tables]
    names = [one.name for one in channels if one.name]
    for name in sorted({name for name in names if names.count(name) > 1}):
        complaints.append(f"{top.place}.channel: two are called {name}")
    if complaints:
        raise FileError(f"read the channels of {where}", "every line to be usable", complaints)
    return tuple(channels)


def _allowed(top: _Table) -> tuple[Network | str, ...]:
    values = top.values.get("allow", [])
    if not isinstance(values, list) or not all(
        isinstance(one, str) and HOST_OR_NET.fullmatch(one) for one in values
    ):
        top.complain("allow", 'networks and names such as ["192.168.1.4/32", "push.yard.lan"]')
        return ()
    return tuple(network(one) or one for one in values)


def _tables(top: _Table) -> list[_Table]:
    values = top.values.get("channel", [])
    if not isinstance(values, list) or not all(isinstance(one, dict) for one in values):
        top.complain("channel", "tables [[delivery.channel]]")
        return []
    return [_Table(one, f"{top.place}.channel[{k}]", top.complaints) for k, one in enumerate(values, 1)]


def _channel(table: _Table, allow: tuple[Network | str, ...]) -> ChannelSettings:
    name = table.text("name", "a name of small letters, digits and hyphens", form=NAME)
    kind = table.one_of("kind", tuple(KEYS))
    for key in sorted(set(table.values) - KEYS[kind]):
        near = get_close_matches(key, KEYS[kind], n=1)
        hint = f"; did you mean {near[0]}?" if near else ""
        table.complaints.append(f"{table.place}.{key[:40]}: a {kind} channel has no such setting{hint}")
    made = ChannelSettings(name=name, kind=kind, told=_told(table, kind), allow=allow, files=_files(table))
    return {"mail": _mail, "webhook": _webhook, "apprise": _apprise}[kind](table, made)


def _told(table: _Table, kind: str) -> Told:
    quiet = table.text("quiet", "hours such as 21:00-06:00", default=QUIET)
    house, doors = table.values.get("house", True), None
    try:
        Quiet.of(quiet or QUIET, "UTC")
    except ValueError:
        table.complain("quiet", "hours such as 21:00-06:00")
    if not isinstance(house, bool):
        table.complain("house", "true or false")
    given = table.values.get("doors")
    if isinstance(given, list) and all(isinstance(one, str) for one in given):
        doors = tuple(str(one) for one in given)
    elif given is not None:
        table.complain("doors", 'a list of doors such as ["saltmarsh-yard/north"]')
    to = table.text("to", "a mail address", form=ADDRESS) if kind == "mail" else None
    least = table.one_of("least", tuple(WEIGHTS), default="note")
    return Told(to=to, doors=doors, least=least, house=house is True, quiet=quiet)


def _files(table: _Table) -> dict[str, Path]:
    files = {}
    for key in FILES:
        value = table.values.get(key)
        if isinstance(value, str) and value.startswith("/"):
            files[key] = Path(value)
        elif value is not None:
            table.complain(key, "the whole path of a file that only you can read")
    return files


def _mail(table: _Table, made: ChannelSettings) -> ChannelSettings:
    security = table.one_of("security", tuple(SECURITIES), default="starttls")
    server = table.text("server", "a server such as mail.example.org or mail.example.org:587")
    host, _, port = server.partition(":")
    if server and (not HOST.fullmatch(host) or (port and not (port.isdigit() and 0 < int(port) < 65536))):
        table.complain("server", "a server such as mail.example.org or mail.example.org:587")
    if security == "none" and host not in LOOPBACK:
        table.complain("security", "starttls or tls, but for a server on this computer,")
    sender = table.text("sender", "a mail address", form=ADDRESS)
    user = table.values.get("user")
    if user is not None and (not isinstance(user, str) or not user):
        table.complain("user", "a name to sign in with")
    number = int(port) if port.isdigit() else SECURITIES[security]
    given = user if isinstance(user, str) else None
    return replace(made, host=host, port=number, security=security, sender=sender, user=given)


def _webhook(table: _Table, made: ChannelSettings) -> ChannelSettings:
    if "url" in table.values and "url_file" in table.values:
        table.complain("url", "either url or url_file")
    given = table.values.get("url")
    if given is None:
        return made
    url = web_address(given)
    if url is None:
        table.complain("url", "an address such as https://example.org/notices")
    return replace(made, url=url)


def _apprise(table: _Table, made: ChannelSettings) -> ChannelSettings:
    if "url_file" in table.values and not made.files:
        table.complain("url_file", f"a file that holds an address of {', '.join(SCHEMES)}")
    return made


def web_address(value: object) -> SplitResult | None:
    """An http or https address without a name or password in it; None for another text."""
    if not isinstance(value, str) or not value.isascii() or any(one.isspace() for one in value):
        return None
    try:
        url = urlsplit(value)
        port = url.port
    except ValueError:
        return None
    fits = url.scheme in ("https", "http") and bool(url.hostname) and url.username is None and port != 0
    return url if fits and not url.fragment else None

"""What goes between collector and node beside packs: the statement, the status and the settings.

All of it is whole numbers, text, true, false and lists of these: a node may have no float that holds a time.
"""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from sensors.message import names, structure, units
from sensors.message.clock import Fix
from sensors.message.errors import ConfigError, MessageError

LAST_WILL = b'{"st":"gone"}'
MAX_HAVE = 32
MAX_HELD = 8
PROTO = 1
MAX_CHANNELS = 64
DAY_S = 86400

Span = tuple[int, int]  # first and last sequence number
Held = tuple[int, int, str]  # and the code of the refusal


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """What the database holds of a journal: all to `upto`, the spans `have`, and `held` in quarantine."""

    journal: str
    upto: int
    have: tuple[Span, ...]
    held: tuple[Held, ...]
    t_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """How a node says it is. t_ms is None without a clock; battery_mv and rssi_dbm where it cannot tell."""

    state: str
    t_ms: int | None
    journal: str
    head: int
    tail: int
    pending: int
    held: int
    stuck: int
    lost: int
    config_rev: int
    generation: int
    firmware: str
    proto: int
    battery_mv: int | None
    rssi_dbm: int | None
    boot: int
    why: str
    clock_fix: Fix | None
    next_s: int
    errors: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSetting:
    """A channel as a node writes it: its own name, its unit, its decimals."""

    name: str
    unit: str
    decimals: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Config:
    """What the collector asks of a node."""

    rev: int
    sample_s: int
    upload_s: int
    phase_s: int
    backfill: int
    channels: tuple[ChannelSetting, ...]
    firmware_wanted: str | None


def spans_of(seqs: Iterable[int]) -> list[Span]:
    """The sequence numbers as merged spans, ascending."""
    spans: list[Span] = []
    found = sorted(set(seqs))
    if found and found[-1] - found[0] == len(found) - 1:  # nearly always: one run
        return [(found[0], found[-1])]
    for seq in found:
        if spans and seq == spans[-1][1] + 1:
            spans[-1] = (spans[-1][0], seq)
        else:
            spans.append((seq, seq))
    return spans


def statement_ranges(spans: Iterable[Span], tail: int | None) -> tuple[int, list[Span]]:
    """`upto` and `have` of the merged spans that are stored.

    tail is the oldest sequence number still in the ring (what lies below is not coming), None if unknown.
    """
    upto = max(tail or 1, 1) - 1
    have: list[Span] = []
    for first, last in sorted(spans):
        if first <= upto + 1:
            upto = max(upto, last)
        else:
            have.append((first, last))
    return upto, have


def write_statement(statement: Statement) -> bytes:
    """The payload of `ack`: of `have` and `held` the newest 32 and 8, ascending."""
    return _dump(
        {
            "jrn": statement.journal,
            "upto": statement.upto,
            "have": sorted(statement.have)[-MAX_HAVE:],
            "held": sorted(statement.held)[-MAX_HELD:],
            "t": statement.t_ms,
        }
    )


def read_statement(payload: bytes) -> Statement | None:
    """The statement in the payload of `ack`; None if it is not one."""
    root = _load(payload)
    if root is None or not _are_whole(root, ("upto", "t")) or not _is_journal(root.get("jrn")):
        return None
    have: Any = root.get("have")
    held: Any = root.get("held")
    if not _are_spans(have, length=2, most=MAX_HAVE) or not _are_spans(held, length=3, most=MAX_HELD):
        return None
    if any(
        first <= upto + 1 for (_, upto), (first, _) in zip([(0, root["upto"]), *have], have, strict=False)
    ):
        return None
    if not all(isinstance(code, str) for _, _, code in held):
        return None
    return Statement(
        journal=root["jrn"],
        upto=root["upto"],
        have=tuple((first, last) for first, last in have),
        held=tuple((first, last, code) for first, last, code in held),
        t_ms=root["t"],
    )


def write_status(status: Status) -> bytes:
    """The payload of `status`."""
    return _dump({member: getattr(status, field) for member, field in _STATUS.items()})


def read_status(payload: bytes) -> Status | None:
    """The status in the payload; None if it is not a full one (the last will is not: see LAST_WILL)."""
    root = _load(payload)
    if root is None or root.get("st") not in ("up", "asleep") or not _is_journal(root.get("jrn")):
        return None
    if not _are_whole(root, _STATUS_WHOLE) or not all(_is_optional_whole(root.get(m)) for m in _STATUS_MAYBE):
        return None
    if not isinstance(root.get("fw"), str) or not isinstance(root.get("why"), str):
        return None
    fix: Any = root.get("clk")
    errors: Any = root.get("err")
    if not (fix is None or _is_fix(fix)) or not _are_errors(errors):
        return None
    came: dict[str, Any] = {field: root.get(member) for member, field in _STATUS.items()}
    came["clock_fix"] = None if fix is None else tuple(fix)
    came["errors"] = tuple(tuple(entry) for entry in errors)
    return Status(**came)


def write_config(config: Config) -> bytes:
    """The payload of `config`. Raises ConfigError for what a node would not take."""
    root = {"proto": PROTO, **{member: getattr(config, member) for member in _CONFIG_WHOLE}}
    root["chan"] = [[one.name, one.unit, one.decimals] for one in config.channels]
    if config.firmware_wanted is not None:
        root["fw_want"] = config.firmware_wanted
    payload = _dump(root)
    read_config(payload)
    return payload


def read_config(payload: bytes) -> Config:
    """The settings in the payload of `config`, whole.

    Raises ConfigError; its `member` is what the node answers in its status, `form` for no object at all.
    """
    root = _load(payload)
    if root is None:
        raise ConfigError("form", "a JSON object", payload[:40])
    _require_whole(root, "proto", low=PROTO, high=PROTO)
    _require_whole(root, "rev", low=0, high=structure.MAX_SEQ)
    _require_whole(root, "sample_s", low=60, high=DAY_S)
    _require_whole(root, "upload_s", low=root["sample_s"], high=DAY_S)
    if root["upload_s"] % root["sample_s"]:
        raise ConfigError("upload_s", f"a multiple of sample_s, {root['sample_s']}", root["upload_s"])
    _require_whole(root, "phase_s", low=0, high=root["upload_s"])
    _require_whole(root, "backfill", low=0, high=structure.MAX_SEQ)
    wanted = root.get("fw_want")
    if wanted is not None and not isinstance(wanted, str):
        raise ConfigError("fw_want", "text", wanted)
    whole = {member: root[member] for member in _CONFIG_WHOLE}
    return Config(channels=_channel_settings(root.get("chan")), firmware_wanted=wanted, **whole)


_CONFIG_WHOLE = ("rev", "sample_s", "upload_s", "phase_s", "backfill")
_STATUS = {
    "st": "state",
    "t": "t_ms",
    "jrn": "journal",
    "head": "head",
    "tail": "tail",
    "pend": "pending",
    "held": "held",
    "stuck": "stuck",
    "lost": "lost",
    "cfg": "config_rev",
    "gen": "generation",
    "fw": "firmware",
    "proto": "proto",
    "bat_mv": "battery_mv",
    "rssi": "rssi_dbm",
    "boot": "boot",
    "why": "why",
    "clk": "clock_fix",
    "next_s": "next_s",
    "err": "errors",
}
_STATUS_WHOLE = ("head", "tail", "pend", "held", "stuck", "lost", "cfg", "gen", "proto", "boot", "next_s")
_STATUS_MAYBE = ("t", "bat_mv", "rssi")


def _dump(root: dict[str, Any]) -> bytes:
    return json.dumps(root, separators=(",", ":"), ensure_ascii=False).encode()


def _load(payload: bytes) -> dict[str, Any] | None:
    try:
        root = structure.read_json(payload)
    except MessageError:
        return None
    return root if isinstance(root, dict) else None


def _is_int(value: Any, *, low: int = 0, high: int = structure.MAX_SEQ) -> bool:
    return type(value) is int and low <= value <= high


def _is_optional_whole(value: Any) -> bool:
    return value is None or _is_int(value, low=-structure.MAX_SEQ)


def _are_whole(root: dict[str, Any], members: Sequence[str]) -> bool:
    return all(_is_int(root.get(member)) for member in members)


def _is_journal(value: Any) -> bool:
    return isinstance(value, str) and names.is_journal(value)


def _are_spans(value: Any, *, length: int, most: int) -> bool:
    if not isinstance(value, list) or len(value) > most:
        return False
    return all(
        isinstance(span, list)
        and len(span) == length
        and _is_int(span[0], low=1)
        and _is_int(span[1], low=span[0])
        for span in value
    )


def _is_fix(value: Any) -> bool:
    if not isinstance(value, list) or len(value) != 3:
        return False
    return all(type(one) is int and abs(one) <= structure.MAX_SEQ for one in value) and value[0] < value[1]


def _are_errors(value: Any) -> bool:
    return isinstance(value, list) and all(
        isinstance(entry, list) and entry and all(isinstance(word, str) for word in entry) for entry in value
    )


def _require_whole(root: dict[str, Any], member: str, *, low: int, high: int) -> None:
    if not _is_int(root.get(member), low=low, high=high):
        raise ConfigError(member, f"a whole number from {low} to {high}", root.get(member))


def _channel_settings(value: Any) -> tuple[ChannelSetting, ...]:
    if not isinstance(value, list) or not 1 <= len(value) <= MAX_CHANNELS:
        raise ConfigError("chan", f"a list of 1 to {MAX_CHANNELS} channels", value)
    settings = tuple(_channel_setting(entry) for entry in value)
    if len({one.name for one in settings}) < len(settings):
        raise ConfigError("chan", "each name once", value)
    return settings


def _channel_setting(entry: Any) -> ChannelSetting:
    if not isinstance(entry, list) or len(entry) != 3:
        raise ConfigError("chan", "name, unit and decimals", entry)
    name, unit, decimals = entry
    if not isinstance(name, str) or len(name) > names.MAX_NODE_NAME or not names.is_wire_name(name):
        raise ConfigError("chan", f"a name of {names.MAX_NODE_NAME} of the wire's characters or fewer", name)
    if not isinstance(unit, str) or unit not in units.LIMITS:
        raise ConfigError("chan", "a unit of the wire's table", unit)
    if not _is_int(decimals, high=9):
        raise ConfigError("chan", "decimals from 0 to 9", decimals)
    return ChannelSetting(name=name, unit=unit, decimals=decimals)

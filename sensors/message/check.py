"""The check of a pack: stored whole or refused whole, under exactly one code."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NamedTuple, Protocol

from sensors.message import names, structure, units
from sensors.message.errors import MessageError, Meta
from sensors.message.resolve import RELATIVE_BELOW_S, Resolved, resolved

EARLIEST_MS = 1577836800000  # 2020-01-01
AHEAD_MS = 300000
_FAR_S = 1e12

ChannelId = int | str
Row = tuple[ChannelId, int, float]  # channel, ms, value in the enrolled unit: what the store takes


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """An enrolled channel: its key in the store and its unit on the wire."""

    id: ChannelId
    unit: str


class Pack(NamedTuple):
    """A pack that may be stored.

    A tuple, for so many are made: a frozen dataclass costs four times that.

    readings: rows for the store, in the order of the array. instants: (seq, ms) of each, `firsts` the index
    of its first reading; both empty, and journal and first_seq None, for an untracked pack. clock: `utc`,
    `drift` or `none` as the node said; of an untracked pack `arrival` if any time is relative, else `utc`.
    stamped: indices of the readings whose time counts from arrival.
    """

    site: str
    node: str
    journal: str | None
    first_seq: int | None
    clock: str
    readings: tuple[Row, ...]
    instants: tuple[tuple[int, int], ...]
    firsts: tuple[int, ...]
    stamped: tuple[int, ...]


class Enrolled(Protocol):
    """What is enrolled: the channels of a node by full wire name, or None for an unknown node."""

    def channels(self, site: str, node: str) -> Mapping[str, Channel] | None:
        """The channels of this node."""
        ...


class World(Enrolled, Protocol):
    """What is enrolled and what is stored."""

    def stored_value(self, channel_id: ChannelId, ms: int) -> float | None:
        """The value stored under this reading key."""
        ...

    def instant(self, site: str, node: str, journal: str, seq: int) -> tuple[int, str] | None:
        """The stored stamp, ms, of this instant and the clock it was stored under."""
        ...


def check(topic: str, payload: bytes, arrival_ms: int, world: World) -> Pack:
    """The pack, with each instant that is stored already under its stored stamp. Raises MessageError."""
    pack = _read_pack(topic, payload, arrival_ms, world)
    pack = _under_stored_stamps(pack, world)
    _require_one_value(pack)
    _require_stored_values(pack, world)
    return pack


def check_pack(topic: str, payload: bytes, arrival_ms: int, enrolled: Enrolled) -> Pack:
    """All of the check that needs no store. Raises MessageError."""
    pack = _read_pack(topic, payload, arrival_ms, enrolled)
    _require_one_value(pack)
    return pack


def check_stored(pack: Pack, world: World) -> Pack:
    """The rest of the check: the pack with each instant that is stored already under its stored stamp.

    Raises MessageError seq-mismatch or duplicate-different-value.
    """
    pack = _under_stored_stamps(pack, world)
    _require_stored_values(pack, world)
    return pack


def moment_ms(time_s: float, arrival_ms: int) -> int | None:
    """Whole milliseconds of a resolved time; None if it is no time at all (infinite, or 1e12 s and more)."""
    if not abs(time_s) < _FAR_S:
        return None
    ms = math.floor(1000.0 * time_s + 0.5)
    return ms if time_s >= RELATIVE_BELOW_S else arrival_ms + ms


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where a record is checked."""

    arrival_ms: int
    clock: str | None
    version: int
    channels: Mapping[str, Channel]


def _read_pack(topic: str, payload: bytes, arrival_ms: int, enrolled: Enrolled) -> Pack:
    site, node, channels = _sender(topic, enrolled)
    records, version = structure.read_records(structure.read_json(payload))
    head = records[0]
    readings = list(resolved(records))
    meta = _held_range(head, readings, arrival_ms)
    place = _Place(arrival_ms=arrival_ms, clock=head.get("bclk"), version=version, channels=channels)
    try:
        rows = [_row(one, place) for one in readings]
        if meta is None:
            return _untracked(site, node, readings, rows)
        return _tracked(site, node, head, rows)
    except MessageError as fault:
        raise fault.holding(meta) from None


def _sender(topic: str, enrolled: Enrolled) -> tuple[str, str, Mapping[str, Channel]]:
    parts = names.split_topic(topic)
    if parts is None or parts[2] != "readings":
        raise MessageError("foreign-topic", f"{names.ROOT}/<site>/<node>/readings", topic)
    site, node, _ = parts
    channels = enrolled.channels(site, node)
    if channels is None:
        raise MessageError("unknown-node", "an enrolled node", f"{site}/{node}")
    return site, node, channels


def _held_range(head: dict[str, Any], readings: list[Resolved], arrival_ms: int) -> Meta | None:
    if "bjrn" not in head:
        return None
    moments = [moment_ms(one.time_s, arrival_ms) for one in readings]
    runs = 1 + sum(now != before for before, now in pairwise(moments))
    first = int(head["bseq"])
    return head["bjrn"], first, min(first + runs - 1, structure.MAX_SEQ)


def _row(one: Resolved, place: _Place) -> Row:
    _require_name(one)
    value = _only_value(one)
    _require_clock(one, place.clock)
    ms = _accepted_ms(one, place.arrival_ms)
    channel = place.channels.get(one.name)
    if channel is None:
        raise MessageError("unknown-channel", "a channel of this node", one.name, record=one.index)
    return channel.id, ms, _in_unit(one, value, channel.unit, place.version)


def _require_name(one: Resolved) -> None:
    if not one.name:
        raise MessageError("missing-name", "a name in bn and n", one.name, record=one.index)
    if not names.is_wire_name(one.name):
        needed = "1 to 128 of A-Z a-z 0-9 - : . / _, a letter or digit first"
        raise MessageError("bad-name", needed, one.name, record=one.index)


def _only_value(one: Resolved) -> float:
    values = [label for label in ("v", "vs", "vb", "vd") if label in one.record]
    if len(values) > 1:
        raise MessageError("two-values", "one of v, vs, vb, vd", ", ".join(values), record=one.index)
    if one.value is None:
        raise MessageError("missing-value", "a number as v", ", ".join(values) or "none", record=one.index)
    return one.value


def _require_clock(one: Resolved, clock: str | None) -> None:
    if clock == "none" and one.time_s >= RELATIVE_BELOW_S:
        raise MessageError("clock-mismatch", "a relative time, without a clock", one.time_s, record=one.index)
    if clock in ("utc", "drift") and one.time_s < RELATIVE_BELOW_S:
        raise MessageError("clock-mismatch", f"Unix seconds, clock {clock}", one.time_s, record=one.index)


def _accepted_ms(one: Resolved, arrival_ms: int) -> int:
    ms = moment_ms(one.time_s, arrival_ms)
    if ms is None or ms < EARLIEST_MS:
        raise MessageError("bad-time", "a time in seconds, 2020 or later", one.time_s, record=one.index)
    if ms > arrival_ms + AHEAD_MS:
        needed = f"a time at most {AHEAD_MS // 1000} s after arrival"
        raise MessageError("future-time", needed, one.time_s, record=one.index)
    return ms


def _in_unit(one: Resolved, value: float, unit: str, version: int) -> float:
    primary = units.to_primary(value, one.unit, version=version)
    if primary is None or primary[1] != unit:
        raise MessageError("unit-mismatch", f"the unit {unit}", one.unit or "none", record=one.index)
    low, high = units.LIMITS[unit]
    if not low <= primary[0] <= high:
        raise MessageError("out-of-range", f"{low:g} to {high:g} {unit}", primary[0], record=one.index)
    return primary[0]


def _untracked(site: str, node: str, readings: list[Resolved], rows: list[Row]) -> Pack:
    kept = dict.fromkeys(zip(rows, (one.time_s < RELATIVE_BELOW_S for one in readings), strict=True))
    stamped = tuple(index for index, (_, is_stamped) in enumerate(kept) if is_stamped)
    return Pack(
        site=site,
        node=node,
        journal=None,
        first_seq=None,
        clock="arrival" if stamped else "utc",
        readings=tuple(row for row, _ in kept),
        instants=(),
        firsts=(),
        stamped=stamped,
    )


def _tracked(site: str, node: str, head: dict[str, Any], rows: list[Row]) -> Pack:
    if head["bcnt"] != len(rows):
        raise MessageError("count-mismatch", f"a bcnt of {len(rows)}", head["bcnt"])
    starts = [0, *(index for index in range(1, len(rows)) if rows[index][1] != rows[index - 1][1])]
    first_seq = int(head["bseq"])
    for begin, end in zip(starts, [*starts[1:], len(rows)], strict=True):
        channels = {channel for channel, _, _ in rows[begin:end]}
        if len(channels) < end - begin:
            raise MessageError("seq-mismatch", "each channel once in an instant", f"{end - begin} readings")
    if first_seq + len(starts) - 1 > structure.MAX_SEQ:
        raise MessageError("seq-mismatch", "sequence numbers to 2**53 - 1", first_seq + len(starts) - 1)
    return Pack(
        site=site,
        node=node,
        journal=head["bjrn"],
        first_seq=first_seq,
        clock=head["bclk"],
        readings=tuple(rows),
        instants=tuple((first_seq + step, rows[start][1]) for step, start in enumerate(starts)),
        firsts=tuple(starts),
        stamped=tuple(range(len(rows))) if head["bclk"] == "none" else (),
    )


def _meta_of(pack: Pack) -> Meta | None:
    if pack.journal is None or pack.first_seq is None:
        return None
    return pack.journal, pack.first_seq, pack.instants[-1][0]


def _under_stored_stamps(pack: Pack, world: World) -> Pack:
    if pack.journal is None:
        return pack
    rows: list[Row] = []
    instants: list[tuple[int, int]] = []
    ends = [*pack.firsts[1:], len(pack.readings)]
    for (seq, sent_ms), begin, end in zip(pack.instants, pack.firsts, ends, strict=True):
        stored = world.instant(pack.site, pack.node, pack.journal, seq)
        ms = sent_ms if stored is None else stored[0]
        if stored is not None and ms != sent_ms and "none" not in (pack.clock, stored[1]):
            needed = f"instant {seq} at {ms} ms, as stored"
            raise MessageError("seq-mismatch", needed, sent_ms, record=None).holding(_meta_of(pack))
        instants.append((seq, ms))
        rows.extend((channel, ms, value) for channel, _, value in pack.readings[begin:end])
    return pack._replace(readings=tuple(rows), instants=tuple(instants))


def _require_one_value(pack: Pack) -> None:
    values: dict[tuple[ChannelId, int], float] = {}
    for channel, ms, value in pack.readings:
        known = values.setdefault((channel, ms), value)
        _require_same(pack, known, value)


def _require_stored_values(pack: Pack, world: World) -> None:
    for channel, ms, value in pack.readings:
        known = world.stored_value(channel, ms)
        if known is not None:
            _require_same(pack, known, value)


def _require_same(pack: Pack, known: float, value: float) -> None:
    if known != value:
        needed = f"one value of a channel at a time, {known!r} so far"
        raise MessageError("duplicate-different-value", needed, value).holding(_meta_of(pack))

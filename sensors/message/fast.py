"""The fast check: the rows of an ordinary pack in one pass, or None when the full check must decide.

Law: fast(p) is None or fast(p) == check_pack(p). Everything unusual is left to the full check, so nothing
here refuses. A form that comes again and again is learned, and then read without parsing.
"""

import json
import math
from collections.abc import Callable, Iterable, Mapping
from itertools import chain, repeat
from operator import ge, le
from typing import Any, NamedTuple

from sensors.message import names, structure, units
from sensors.message.check import AHEAD_MS, EARLIEST_MS, Channel, ChannelId, Pack, Row
from sensors.message.plain import Form, Learned, Numbers, Plain, numbers_of, patterns_of

_read: Callable[[bytes], Any]
try:  # it reads the same language in less than half the time, and refuses more than is asked of it
    from orjson import loads as _read
except ImportError:
    _decode = json.JSONDecoder().decode

    def _read(payload: bytes) -> Any:
        return _decode(payload.decode("utf-8"))


_Known = Mapping[
    str, tuple[ChannelId, str, float, float, int]
]  # own name -> channel, unit, low, high, its bit


class Table(NamedTuple):
    """The channels of a node by base name, and the forms of its packs that were learned."""

    known: dict[str, dict[str, tuple[ChannelId, str, float, float, int]]]
    learned: Learned


_HEAD = ("bn", "bjrn", "bseq", "bcnt", "bclk")
_MAX_OFFSET_S = 10**9  # within this, whole numbers and doubles give the same sum


def fast_table(channels: Mapping[str, Channel]) -> Table:
    """The channels of a node in the form that `fast` reads; made once, when enrolment changes."""
    table = Table({}, Learned())
    bits: dict[ChannelId, int] = {}
    for full, channel in channels.items():
        base, slash, own = full.rpartition("/")
        if names.is_wire_name(full) and channel.unit in units.LIMITS:
            low, high = units.LIMITS[channel.unit]
            bit = bits.setdefault(channel.id, 1 << len(bits))
            table.known.setdefault(base + slash, {})[own] = (channel.id, channel.unit, low, high, bit)
    return table


def fast(site: str, node: str, payload: bytes, arrival_ms: int, table: Table) -> Pack | None:
    """The pack, equal to what the full check gives, or None for the full check to decide.

    site and node are those of the topic, enrolled; table is `fast_table` of that node's channels.
    """
    if len(payload) > structure.MAX_BYTES:
        return None
    for plain in table.learned.plains:
        numbers = numbers_of(plain, payload)
        if numbers is not None:
            return _plain_pack(site, node, plain, numbers, arrival_ms)
    # `true` is a number to Python; without the word in the payload every number below is one
    if b"true" in payload or b"false" in payload:
        return None
    try:
        return _read_pack(site, node, payload, arrival_ms, table)
    except (ValueError, TypeError, KeyError, AttributeError, IndexError, OverflowError, RecursionError):
        return None


class _Span(NamedTuple):
    origin_ms: int  # what times count from: 0, or the arrival
    start_s: int  # the base time
    latest_ms: int


def _plain_pack(site: str, node: str, plain: Plain, numbers: Numbers, arrival_ms: int) -> Pack | None:
    (_, journal, clock, *_), _, _, channels, low, high = plain
    base_time, first, records, times, values = numbers
    start_s, first_seq, runs = int(base_time), int(first), len(times)
    try:
        moments = _moments(times, start_s, arrival_ms + AHEAD_MS)
    except ValueError:
        return None
    value = tuple(map(float, values))
    if runs > 1:
        ms: Iterable[int] = chain.from_iterable(map(repeat, moments, repeat(len(channels))))
        channels, low, high = channels * runs, low * runs, high * runs
    else:
        ms = repeat(moments[0], len(channels))
    if (
        int(records) == len(value) <= structure.MAX_RECORDS
        and 1 <= first_seq <= structure.MAX_SEQ + 1 - runs
        and (runs == 1 or len(set(moments)) == runs)
        and all(map(le, low, value))
        and all(map(ge, high, value))
    ):
        rows = tuple(zip(channels, ms, value, strict=True))
        instants = tuple(enumerate(moments, first_seq))
        firsts = tuple(range(0, len(rows), len(rows) // runs))
        return Pack(site, node, journal, first_seq, clock, rows, instants, firsts, ())
    return None


def _moments(times: list[bytes | None], start_s: int, latest_ms: int) -> list[int]:
    if times == [None] and EARLIEST_MS <= 1000 * start_s <= latest_ms:
        return [1000 * start_s]
    span = _Span(0, start_s, latest_ms)
    return [_moment(span, 0 if text is None else _number(text)) for text in times]


def _number(text: bytes) -> int | float:
    return float(text) if b"." in text else int(text)


def _read_pack(site: str, node: str, payload: bytes, arrival_ms: int, table: Table) -> Pack | None:
    records = _read(payload)
    # A member has one colon outside text, so fewer members than colons means a label twice, an object
    # inside a record, or a colon in text.
    if payload.count(b":") != sum(map(len, records)) or type(records) is not list:
        return None
    base = records[0]["bn"]
    pack = _tracked(site, node, records, arrival_ms, table.known)
    if pack is not None and not pack.stamped:
        _learn(pack, base, records, payload, table.learned)
    return pack


def _learn(pack: Pack, base: str, records: list[Any], payload: bytes, learned: Learned) -> None:
    """Learn the form of a pack that was read, once it has come often enough."""
    width = pack.firsts[1] if len(pack.firsts) > 1 else len(records)
    own, unit = zip(*((one["n"], one["u"]) for one in records[:width]), strict=True)
    form = Form(base, str(pack.journal), pack.clock, own, unit, "t" in records[0])
    if learned.is_due(form):
        beginning, instant = patterns_of(form)
        channels = tuple(channel for channel, _, _ in pack.readings[: len(own)])
        low, high = zip(*map(units.LIMITS.__getitem__, unit), strict=True)
        plain = Plain(form, beginning, instant, channels, low, high)
        if numbers_of(plain, payload):
            learned.learn(plain)


def _tracked(
    site: str, node: str, records: list[Any], arrival_ms: int, known: Mapping[str, _Known]
) -> Pack | None:
    base, journal, first_seq, count, clock = map(records[0].pop, _HEAD)
    start_s = 0 if clock == "none" else records[0].pop("bt")
    is_plain = type(first_seq) is int and type(start_s) is int and 1 <= count <= structure.MAX_RECORDS
    if (
        not is_plain
        or count != len(records)
        or clock not in structure.CLOCKS
        or not names.is_journal(journal)
    ):
        return None
    span = _Span(arrival_ms if clock == "none" else 0, start_s, arrival_ms + AHEAD_MS)
    rows, firsts = _rows(records, span, known[base])
    moments = [rows[first][1] for first in firsts]
    if not 1 <= first_seq <= structure.MAX_SEQ + 1 - len(firsts) or len(set(moments)) != len(moments):
        return None
    return Pack(
        site=site,
        node=node,
        journal=journal,
        first_seq=first_seq,
        clock=clock,
        readings=tuple(rows),
        instants=tuple(zip(range(first_seq, first_seq + len(firsts)), moments, strict=True)),
        firsts=tuple(firsts),
        stamped=tuple(range(len(rows))) if clock == "none" else (),
    )


def _rows(records: list[dict[str, Any]], span: _Span, known: _Known) -> tuple[list[Row], list[int]]:
    rows: list[Row] = []
    firsts: list[int] = []
    last_s: Any = math.nan  # differs from every time, null among them
    ms = bits = 0
    for record in records:
        size = len(record)
        time_s = record["t"] if size == 4 else 0
        if time_s != last_s:
            ms, last_s, bits = _moment(span, time_s), time_s, 0
            firsts.append(len(rows))
        channel, unit, low, high, bit = known[record["n"]]
        value = record["v"]
        if not low <= value <= high or record["u"] != unit or bits & bit or not 3 <= size <= 4:
            raise ValueError
        bits |= bit
        rows.append((channel, ms, value * 1.0))
    return rows, firsts


def _moment(span: _Span, time_s: Any) -> int:
    if not -_MAX_OFFSET_S < time_s < _MAX_OFFSET_S:
        raise ValueError
    whole = 1000 * (span.start_s + time_s)
    ms = span.origin_ms + (whole if type(whole) is int else math.floor(whole + 0.5))
    if not EARLIEST_MS <= ms <= span.latest_ms:
        raise ValueError
    return ms

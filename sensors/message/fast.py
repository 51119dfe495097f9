"""The fast check: the rows of an ordinary pack in one pass, or None when the full check must decide.

Law: fast(p) is None or fast(p) == check_pack(p). Everything unusual is left to the full check, so nothing
here refuses.
"""

import json
import math
from collections.abc import Mapping
from typing import Any, NamedTuple

from sensors.message import names, structure, units
from sensors.message.check import AHEAD_MS, EARLIEST_MS, Channel, ChannelId, Pack, Row

_Known = Mapping[
    str, tuple[ChannelId, str, float, float, int]
]  # own name -> channel, unit, low, high, its bit
Table = Mapping[str, _Known]  # by base name

_DECODE = json.JSONDecoder().decode
_HEAD = ("bn", "bjrn", "bseq", "bcnt", "bclk")
_MAX_OFFSET_S = 10**9  # within this, whole numbers and doubles give the same sum


def fast_table(channels: Mapping[str, Channel]) -> Table:
    """The channels of a node in the form that `fast` reads; made once, when enrolment changes."""
    table: dict[str, dict[str, tuple[ChannelId, str, float, float, int]]] = {}
    bits: dict[ChannelId, int] = {}
    for full, channel in channels.items():
        base, slash, own = full.rpartition("/")
        if names.is_wire_name(full) and channel.unit in units.LIMITS:
            low, high = units.LIMITS[channel.unit]
            bit = bits.setdefault(channel.id, 1 << len(bits))
            table.setdefault(base + slash, {})[own] = (channel.id, channel.unit, low, high, bit)
    return table


def fast(site: str, node: str, payload: bytes, arrival_ms: int, table: Table) -> Pack | None:
    """The pack, equal to what the full check gives, or None for the full check to decide.

    site and node are those of the topic, enrolled; table is `fast_table` of that node's channels.
    """
    # `true` is a number to Python; without the word in the payload every number below is one
    if len(payload) > structure.MAX_BYTES or b"true" in payload or b"false" in payload:
        return None
    try:
        records = _DECODE(payload.decode("utf-8"))
        # A member has one colon outside text, so fewer members than colons means a label twice, an object
        # inside a record, or a colon in text.
        if payload.count(b":") != sum(map(len, records)):
            return None
        return _tracked(site, node, records, arrival_ms, table)
    except (ValueError, TypeError, KeyError, AttributeError, IndexError, OverflowError, RecursionError):
        return None


class _Span(NamedTuple):
    origin_ms: int  # what times count from: 0, or the arrival
    start_s: int  # the base time
    latest_ms: int


def _tracked(site: str, node: str, records: Any, arrival_ms: int, table: Table) -> Pack | None:
    if type(records) is not list:
        return None
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
    rows, firsts = _rows(records, span, table[base])
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

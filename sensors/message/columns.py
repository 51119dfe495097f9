"""Many plain packs of one form at once, read as columns: a row of their values is never made one by one.

Law: columns_of(packs) is None, or `fast` gives the same readings and instants of each pack. Here nothing
refuses: whatever is unusual in one of the packs is left to the check of each.
"""

import json
import re
from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import chain
from operator import add
from typing import NamedTuple

from sensors.message import structure
from sensors.message.check import AHEAD_MS, EARLIEST_MS
from sensors.message.fast import Table
from sensors.message.plain import Plain, numbers_of

_loads: Callable[[bytes], list[list[int | float]]]
try:  # text of many numbers to doubles, several times as fast as one by one
    from orjson import loads as _loads
except ImportError:
    _loads = json.loads

FEWEST = 8  # packs for which a pattern of a whole line is made
_FAR_S, _NEVER_MS = 10**9, -(10**20)  # as in the fast check; a moment that is never taken


class Columns(NamedTuple):
    """The readings of packs of one form. seqs, ms: of each instant, in the order of the packs.

    values: of each channel its values, one an instant.
    """

    journal: str
    clock: str
    channels: tuple[int | str, ...]
    seqs: Sequence[int]
    ms: Sequence[int]
    values: Sequence[Sequence[float]]


class _Texts(NamedTuple):
    """The numbers of packs as text. runs: instants of each pack; times: None where all are the base time."""

    base_times: Sequence[bytes]
    first_seqs: Sequence[bytes]
    records: Sequence[bytes]
    runs: Sequence[int]
    times: Sequence[bytes | None] | None
    values: Sequence[Sequence[bytes]]


def columns_of(payloads: Sequence[bytes], first_arrival_ms: int, table: Table) -> Columns | None:
    """The packs of one node, at least one, the first of which arrived then; None for the check of each.

    table is `fast_table` of the node's channels.
    """
    if max(map(len, payloads)) <= structure.MAX_BYTES:
        for plain in table.learned.plains:
            if found := plain.beginning.match(payloads[0]):
                is_single = found.end() == len(payloads[0]) - 1 and len(payloads) >= FEWEST
                texts = _single(plain, payloads) if is_single else _several(plain, payloads)
                return texts and _checked(plain, texts, first_arrival_ms + AHEAD_MS)
    return None


def _single(plain: Plain, payloads: Sequence[bytes]) -> _Texts | None:
    """Of packs of one instant each, all in one pass."""
    text = b"\n".join([*payloads, b""])
    # a line end inside a pack would make two lines of it
    if text.count(b"\n") != len(payloads):
        return None
    lines = _line_of(plain.beginning).findall(text)
    if len(lines) != len(payloads):
        return None
    base_times, first_seqs, records, *values = zip(*lines, strict=True)
    times = values.pop(1) if plain.form.is_timed else None
    return _Texts(base_times, first_seqs, records, (1,) * len(payloads), times, values)


def _several(plain: Plain, payloads: Sequence[bytes]) -> _Texts | None:
    """Of packs of several instants."""
    found = []
    for payload in payloads:
        numbers = numbers_of(plain, payload)
        if numbers is None:
            return None
        found.append(numbers)
    base_times, first_seqs, records, times, values = zip(*found, strict=True)
    flat, width = list(chain.from_iterable(values)), len(plain.channels)
    columns = [flat[place::width] for place in range(width)]
    return _Texts(base_times, first_seqs, records, [*map(len, times)], [*chain.from_iterable(times)], columns)


def _checked(plain: Plain, texts: _Texts, latest_ms: int) -> Columns | None:
    width, most = len(plain.channels), max(texts.runs)
    seqs, ms = _seqs(texts), _ms(texts)
    values = _floats(texts.values)
    if (
        values
        and [*map(int, texts.records)] == [width * run for run in texts.runs]
        and width * most <= structure.MAX_RECORDS
        and min(seqs) >= 1
        and max(seqs) <= structure.MAX_SEQ
        and (most == 1 or len(set(ms)) == len(ms))
        and min(ms) >= EARLIEST_MS
        and max(ms) <= latest_ms
        and all(low <= min(column) for low, column in zip(plain.low, values, strict=True))
        and all(high >= max(column) for high, column in zip(plain.high, values, strict=True))
    ):
        return Columns(plain.form.journal, plain.form.clock, plain.channels, seqs, ms, values)
    return None


def _floats(columns: Sequence[Sequence[bytes]]) -> list[tuple[float, ...]]:
    """The doubles of each column; none at all where a number is too long to be one."""
    try:
        numbers = _loads(b"[[%s]]" % b"],[".join(map(b",".join, columns)))
        return [tuple(map(float, column)) for column in numbers]
    except (ValueError, OverflowError):
        return []


def _seqs(texts: _Texts) -> Sequence[int]:
    firsts = [*map(int, texts.first_seqs)]
    if max(texts.runs) == 1:
        return firsts
    return [first + step for first, run in zip(firsts, texts.runs, strict=True) for step in range(run)]


def _ms(texts: _Texts) -> Sequence[int]:
    """The moment of each instant; one that is no whole second lies before all that is taken."""
    starts = [1000 * int(one) for one in texts.base_times]
    if texts.times is None:
        return starts
    of_instant = chain.from_iterable([start] * run for start, run in zip(starts, texts.runs, strict=True))
    return [*map(add, of_instant, map(_offset_ms, texts.times))]


@lru_cache(maxsize=1024)  # of instants in step they are few
def _offset_ms(time: bytes | None) -> int:
    if time is None:
        return 0
    if b"." in time:
        return _NEVER_MS
    whole = int(time)
    return 1000 * whole if -_FAR_S < whole < _FAR_S else _NEVER_MS


@lru_cache(maxsize=256)
def _line_of(beginning: re.Pattern[bytes]) -> re.Pattern[bytes]:
    """A line that is a pack of one instant and nothing else."""
    return re.compile(rb"(?m:^)" + beginning.pattern + rb"\]\n")

"""Plain packs: the same channels in the same order, in the very text a node writes, for years.

A form that has come a few times is learned as two patterns of bytes: what begins a pack up to the end of its
first instant, and a further instant. They spell out one JSON text with nothing open but its numbers, and take
only numbers that JSON takes; so a pack that fits needs no parsing, and names, units and order are known.
"""

import re
from typing import NamedTuple

LEARN_AFTER = 8  # packs of one form: to learn one costs as much as to read a hundred packs
MOST_LEARNED = 4  # of a node
MOST_FORMS = 64  # that are counted; a node that is set up anew sends another one

_WHOLE = b"(0|[1-9][0-9]{0,15})"
# possessive: a number that does not fit is not tried in other ways
_VALUE = rb"(-?+(?:0|[1-9][0-9]*+)(?:\.[0-9]++)?+)"
_TIME = rb"(-?+(?:0|[1-9][0-9]{0,14}+)(?:\.[0-9]{1,15}+)?+)"

Texts = tuple[bytes, ...]


class Form(NamedTuple):
    """What a pack says besides its numbers: base name, journal, clock; own names and units of an instant.

    `is_timed`: the records of the first instant have a time too.
    """

    base: str
    journal: str
    clock: str
    own: tuple[str, ...]
    units: tuple[str, ...]
    is_timed: bool


class Plain(NamedTuple):
    """A learned form: its two patterns, and of its values the channels and the bounds of their units."""

    form: Form
    beginning: re.Pattern[bytes]
    instant: re.Pattern[bytes]
    channels: tuple[int | str, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


class Numbers(NamedTuple):
    """The numbers of a pack as text. `times`: one an instant, None where none stands."""

    base_time: bytes
    first_seq: bytes
    records: bytes
    times: list[bytes | None]
    values: list[bytes]


class Learned:
    """The forms of one node: those that are known, and how often others came."""

    __slots__ = ("_seen", "plains")

    def __init__(self) -> None:
        self.plains: list[Plain] = []
        self._seen: dict[Form, int] = {}

    def is_due(self, form: Form) -> bool:
        """Count one more pack of a form; whether it is time to learn it."""
        if len(self._seen) >= MOST_FORMS:
            self._seen.clear()
        times = self._seen[form] = self._seen.get(form, 0) + 1
        return times == LEARN_AFTER

    def learn(self, plain: Plain) -> None:
        """Know a form from now on, in the place of the one that is known longest."""
        self.plains = [*self.plains[-MOST_LEARNED + 1 :], plain]


def patterns_of(form: Form) -> tuple[re.Pattern[bytes], re.Pattern[bytes]]:
    """The patterns of a form: the beginning of a pack, and a further instant.

    Groups of the beginning: base time, first number, records; of both: a value, the time, the other values.
    The time is the same in all records of an instant; an untimed beginning has none.
    """
    base, journal, clock = (re.escape(part.encode()) for part in form[:3])
    head = b'"bn":"%s","bt":%s,"bjrn":"%s","bseq":%s,"bcnt":%s,"bclk":"%s",'
    head %= (base, _WHOLE, journal, _WHOLE, _WHOLE, clock)
    rows = [
        b'"n":"%s","u":"%s","v":%s' % (re.escape(own.encode()), re.escape(unit.encode()), _VALUE)
        for own, unit in zip(form.own, form.units, strict=True)
    ]
    beginning = _timed(rows, 5) if form.is_timed else rows  # groups before it: three of the head, a value
    between = re.escape(b"},{")
    return (
        re.compile(re.escape(b"[{") + head + between.join(beginning) + re.escape(b"}")),
        re.compile(re.escape(b",{") + between.join(_timed(rows, 2)) + re.escape(b"}")),
    )


def numbers_of(plain: Plain, payload: bytes) -> Numbers | None:
    """The numbers of a pack of this form; None for any other."""
    found = plain.beginning.match(payload)
    if found is None:
        return None
    base_time, first_seq, records, *values = found.groups()
    times, at = [values.pop(1) if plain.form.is_timed else None], found.end()
    while at < len(payload) - 1 and (found := plain.instant.match(payload, at)):
        value, time, *more = found.groups()
        times.append(time)
        values.append(value)
        values += more
        at = found.end()
    return Numbers(base_time, first_seq, records, times, values) if payload[at:] == b"]" else None


def _timed(rows: list[bytes], group: int) -> list[bytes]:
    """The rows of one instant with its time, which is that group of the pattern."""
    return [rows[0] + b',"t":' + _TIME, *(row + b',"t":\\%d' % group for row in rows[1:])]

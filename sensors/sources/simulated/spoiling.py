"""Faults at work: what they do to the lengths, the values, the clock and the power of a node."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sensors.sources.simulated.doors import Opening
from sensors.sources.simulated.draws import stream
from sensors.sources.simulated.faults import Fault
from sensors.sources.simulated.gauges import DAY_MS, SimChannel
from sensors.sources.simulated.movement import Happenings, Rehang, Slam

REBOOT_MS = 240_000
EMPTY_V = 2.4
SPIKE_CHANCE = 0.01
DROPPED = "io-error"
_NOISE = {"/": 1.2e-5, "Cel": 0.01, "%RH": 0.01, "V": 0.001, "count": 0.0, "m/s2": 0.01}


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockFix:
    """The clock set right at the end of a drift, as a status message tells it: wire's t0, t1 and off, ms."""

    from_ms: int
    to_ms: int
    off_ms: int


def happenings_of(faults: Sequence[Fault], opening: Opening | None) -> Happenings:
    """What happens to the door itself: its opening, and the openings, slams and rehangs among the faults."""
    asked = tuple(
        Opening(joint=fault.channel, onset_day=fault.from_day, rho_mrad=fault.size[0])
        for fault in faults
        if fault.kind == "opening"
    )
    slams = tuple(
        Slam(
            day=fault.from_day,
            hinge_mm=fault.size[0],
            rack_mrad=fault.size[1],
            turn_mrad=fault.size[2],
            joint=fault.channel or None,
        )
        for fault in faults
        if fault.kind == "slam"
    )
    rehangs = tuple(
        Rehang(day=fault.from_day, moved_mm=fault.size[0]) for fault in faults if fault.kind == "rehang"
    )
    return Happenings(openings=((opening,) if opening else ()) + asked, slams=slams, rehangs=rehangs)


def span_ms(fault: Fault, start_ms: int) -> tuple[int, int | None]:
    """First and last ms of a fault; None for one that stays from then on."""
    first = start_ms + round(fault.from_day * DAY_MS)
    if fault.kind == "reboot":
        return first, first + REBOOT_MS
    return first, first + round(fault.days * DAY_MS) if fault.days else None


def clock_fixes(faults: Sequence[Fault], start_ms: int) -> tuple[ClockFix, ...]:
    """The corrections that the node tells when its drifting clock is set again."""
    fixes = []
    for fault in (fault for fault in faults if fault.kind == "clock-drift"):
        first, last = span_ms(fault, start_ms)
        if last is not None:
            gained = _gained_ms(last, first, fault.size[0])
            fixes.append(ClockFix(from_ms=first, to_ms=last + gained, off_ms=-gained))
    return tuple(fixes)


class Spoiler:
    """The faults of one run over its instants; instants must come in order."""

    def __init__(
        self, faults: Sequence[Fault], *, channels: Sequence[SimChannel], seed: int, door: str, start_ms: int
    ) -> None:
        self._faults = tuple(faults)
        self._start_ms = start_ms
        self._index = {channel.name: at for at, channel in enumerate(channels)}
        self._noise = [0.0 if channel.name == "shut" else _NOISE[channel.unit] for channel in channels]
        self._chance = stream(seed, door, "faults")
        self._held: dict[Fault, float] = {}
        self._last: list[float | None] = []

    def is_off(self, ms: int) -> bool:
        """Whether the node takes no instant now: it is starting again."""
        return any(
            fault.kind == "reboot" and self._start_of(fault) <= ms < self._start_of(fault) + REBOOT_MS
            for fault in self._faults
        )

    def is_dead(self, ms: int) -> bool:
        """Whether its battery is empty: no instant from now on."""
        return any(
            fault.kind == "battery" and ms >= self._start_of(fault) + fault.days * DAY_MS
            for fault in self._faults
        )

    def boot(self, ms: int) -> int:
        """The number of times it was powered up."""
        return 1 + sum(fault.kind == "reboot" and ms >= self._start_of(fault) for fault in self._faults)

    def clock(self, ms: int) -> tuple[int, str]:
        """The stamp that the node gives, and what it says of its clock: utc, drift or none."""
        for fault in self._active(ms):
            if fault.kind == "clock-lost":
                return ms, "none"
            if fault.kind == "clock-drift":
                return ms + _gained_ms(ms, self._start_of(fault), fault.size[0]), "drift"
        return ms, "utc"

    def offsets(self, ms: int) -> dict[str, float]:
        """What is added to each channel's quantity: mm, %, degrees C."""
        found: dict[str, float] = {}
        for fault in self._faults:
            size = self._offset(fault, ms)
            if size:
                found[fault.channel] = found.get(fault.channel, 0.0) + size
        return found

    def spoil(self, values: list[float], ms: int) -> tuple[list[float | None], tuple[tuple[str, str], ...]]:
        """The values as sent, None where left out, and the problems that the node names."""
        sent: list[float | None] = list(values)
        problems = []
        for fault in self._active(ms):
            at = self._index.get("air-rh" if fault.kind == "wet" else fault.channel, -1)
            value = sent[at]
            if fault.kind == "dropout":
                sent[at] = None
                problems.append((fault.channel, DROPPED))
            elif fault.kind == "battery":
                self._run_down(sent, fault, ms)
            elif value is not None:
                sent[at] = self._changed(fault, at, value)
        self._last = sent
        return sent, tuple(problems)

    def _changed(self, fault: Fault, at: int, value: float) -> float:
        if fault.kind == "thousand":
            return value * 0.001
        if fault.kind == "wet":
            return 100.0
        if fault.kind == "stuck":
            before = self._last[at] if self._last else None
            held = self._held.setdefault(fault, value if before is None else before)
            return held + self._chance.gauss(0.0, self._noise[at])
        return value

    def _run_down(self, sent: list[float | None], fault: Fault, ms: int) -> None:
        at = self._index["battery"]
        fresh = sent[at]
        if fresh is not None:
            part = (ms - self._start_of(fault)) / (fault.days * DAY_MS)
            sent[at] = fresh + part * (EMPTY_V - fresh)

    def _offset(self, fault: Fault, ms: int) -> float:
        days = (ms - self._start_of(fault)) / DAY_MS
        if days < 0.0:
            return 0.0
        if fault.kind == "step":
            return fault.size[0]
        if fault.kind == "drift":
            return fault.size[0] * min(days, fault.days) / 365.25
        if fault.kind == "spike" and days < fault.days and self._chance.random() < SPIKE_CHANCE:
            return fault.size[0]
        return 0.0

    def _active(self, ms: int) -> list[Fault]:
        return [
            fault
            for fault in self._faults
            if fault.days and 0 <= ms - self._start_of(fault) < fault.days * DAY_MS
        ]

    def _start_of(self, fault: Fault) -> int:
        return self._start_ms + round(fault.from_day * DAY_MS)


def _gained_ms(ms: int, first_ms: int, ppm: float) -> int:
    return math.floor((ms - first_ms) * ppm * 1e-6 + 0.5)

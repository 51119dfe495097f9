"""A fingerprint of all that a watch rests on up to a day: while it stays, the watch may go on from there."""

import hashlib
import json
from bisect import bisect_right
from dataclasses import fields, is_dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from server.doors.built import BuiltDoor
from server.inspection.line import Line
from server.inspection.values import DoorInputs
from server.trend.series import DoorFacts

# What of a door as built changes no series: its limits, its names, what was noted of it.
BESIDE = ("limits", "site", "node", "name", "shown", "note", "notes")
DAY_MS = 86_400_000
SIZES = ("settled_day", "scale", "white", "ar", "alarm", "start_sd", "creep_mean", "creep_sd", "slow_days")


class Basis:
    """Fingerprints of one door's raw days, its line, and what is declared of a series; of any day's past."""

    def __init__(self, inputs: DoorInputs, line: Line) -> None:
        self._inputs, self._lines = inputs, line.each or (line,)
        self._of_days: dict[int, bytes] = {}
        air = {"air temp_c": inputs.temp_c, "air rh_pct": inputs.rh_pct}
        gauges = {f"gauge {name}": one.median for name, one in sorted(inputs.gauges.items())}
        self._values: dict[str, NDArray[np.float64]] = {**gauges, **air}
        known = {name: np.flatnonzero(np.isfinite(value)) for name, value in self._values.items()}
        self._begins = {name: int(days[0]) if days.size else inputs.day.size for name, days in known.items()}
        self._chain: list[tuple[int, dict[str, hashlib.blake2b]]] = [
            (0, {name: hashlib.blake2b(digest_size=16) for name in self._values})
        ]
        versions = [(one.from_ms // DAY_MS - inputs.hung_day, one.built) for one in inputs.door.versions]
        self._built = [(day, _told(built)) for day, built in versions or [(0, inputs.door.built)]]

    def upto(self, day: int, facts: DoorFacts, first_day: int) -> str:
        """Of the days up to and with `day`, for a series that begins on `first_day`; both since hanging."""
        steps = [step for step in facts.declared_steps if step <= day]
        declared = [[getattr(facts, name) for name in SIZES], steps, first_day]
        declared += [] if facts.start_pct is None else [facts.start_pct]
        made = hashlib.blake2b(self._door(day), digest_size=16)
        made.update(json.dumps(declared).encode())
        return made.hexdigest()

    def _door(self, day: int) -> bytes:
        if day not in self._of_days:
            inputs = self._inputs
            days = int(np.searchsorted(inputs.day, day, side="right"))
            made = hashlib.blake2b(digest_size=16)
            for begins, built in self._built:
                if begins <= day:
                    made.update(f"{begins} {built}".encode())
            made.update(json.dumps([inputs.hung_day, [int(one) for one in inputs.day[:1]]]).encode())
            for name, of_days in self._hashed(days).items():
                if self._begins[name] < days:  # one that was set later changes nothing before
                    made.update(name.encode())
                    made.update(of_days.digest())
            lines = [
                [one.kind, one.start, one.stop, sorted(one.zero_mm.items())]
                for one in self._lines
                if one.start <= day
            ]
            made.update(json.dumps(lines).encode())
            self._of_days[day] = made.digest()
        return self._of_days[day]

    def _hashed(self, days: int) -> dict[str, hashlib.blake2b]:
        """Of the first `days` days of each gauge and the air, gone on with from the longest past before."""
        place = bisect_right(self._chain, days, key=lambda one: one[0])
        before, known = self._chain[place - 1]
        if before == days:
            return known
        longer = {name: of_days.copy() for name, of_days in known.items()}
        for name, of_days in longer.items():
            of_days.update(self._values[name][before:days].tobytes())
        self._chain.insert(place, (days, longer))
        return longer


def _told(built: BuiltDoor) -> str:
    told = {one.name: getattr(built, one.name) for one in fields(built) if one.name not in BESIDE}
    return json.dumps(told, default=_plain)


def _plain(value: object) -> dict[str, object] | str:
    """A part of a door as JSON has it. What is not said leaves no trace: a key more changes nothing then."""
    if is_dataclass(value):
        told = {field.name: getattr(value, field.name) for field in fields(value)}
        return {name: one for name, one in told.items() if one is not None}
    if isinstance(value, datetime):
        return value.isoformat()
    raise AssertionError(f"a door holds values, not {type(value).__name__}")

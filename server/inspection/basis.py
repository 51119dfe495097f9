"""A fingerprint of all that a watch rests on up to a day: while it stays, the watch may go on from there."""

import hashlib
import json

import numpy as np

from server.doors.built import BuiltDoor, to_json
from server.inspection.line import Line
from server.inspection.values import DoorInputs
from server.trend.series import DoorFacts

# What of a door as built changes no series: its limits, its names, what was noted of it.
BESIDE = ("limits", "shown", "note", "notes")
DAY_MS = 86_400_000
SIZES = ("settled_day", "scale", "white", "ar", "alarm", "start_sd")


class Basis:
    """Fingerprints of one door's raw days, its line, and what is declared of a series; of any day's past."""

    def __init__(self, inputs: DoorInputs, line: Line) -> None:
        self._inputs, self._lines = inputs, line.each or (line,)
        self._of_days: dict[int, bytes] = {}
        versions = [(one.from_ms // DAY_MS - inputs.hung_day, one.built) for one in inputs.door.versions]
        self._built = [(day, _told(built)) for day, built in versions or [(0, inputs.door.built)]]

    def upto(self, day: int, facts: DoorFacts, first_day: int) -> str:
        """Of the days up to and with `day`, for a series that begins on `first_day`; both since hanging."""
        steps = [step for step in facts.declared_steps if step <= day]
        declared = [[getattr(facts, name) for name in SIZES], steps, first_day]
        made = hashlib.blake2b(self._door(day), digest_size=16)
        made.update(json.dumps(declared).encode())
        return made.hexdigest()

    def _door(self, day: int) -> bytes:
        if day not in self._of_days:
            inputs = self._inputs
            days = int(np.searchsorted(inputs.day, day, side="right"))
            made = hashlib.blake2b(digest_size=16)
            made.update(json.dumps([one for one in self._built if one[0] <= day]).encode())
            made.update(json.dumps([inputs.hung_day, [int(one) for one in inputs.day[:1]]]).encode())
            for name in sorted(inputs.gauges):
                median = inputs.gauges[name].median[:days]
                if np.isfinite(median).any():  # one that was set later does not change what was before it
                    made.update(name.encode())
                    made.update(median.tobytes())
            made.update(inputs.temp_c[:days].tobytes())
            made.update(inputs.rh_pct[:days].tobytes())
            lines = [
                [one.kind, one.start, one.stop, sorted(one.zero_mm.items())]
                for one in self._lines
                if one.start <= day
            ]
            made.update(json.dumps(lines).encode())
            self._of_days[day] = made.digest()
        return self._of_days[day]


def _told(built: BuiltDoor) -> dict[str, object]:
    return {name: value for name, value in json.loads(to_json(built)).items() if name not in BESIDE}

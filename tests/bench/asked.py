"""One simulated door of a large run: as a door's file, as a command's words, as readings."""

import json
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sensors.sources.simulated.door import SimulatedDoor
from sensors.sources.simulated.doors import OpeningChoice
from server.doors.built import BuiltDoor
from server.doors.example import SITE, example_text
from server.doors.file import read_door
from server.readings.calibration import CalibrationRecord, read_records

START = datetime(2020, 3, 2, 8, tzinfo=UTC)
GAUGE = "\n[[gauge]]\n"
MORE = {"sill-hinge": ("sill", 60), "hinge-bottom": ("hinge", 100), "hinge-top": ("hinge", 2050)}


@dataclass(frozen=True, kw_only=True)
class Asked:
    """A simulated door under a name of its own, with the figures of `like` and the air of its seed.

    `opening`: "none", or (joint, day, mrad/yr**1.4): top-hinge has gauges 90 mm apart, the lock rail's 170;
    `pair_mm` hangs those of every joint so far apart. `frame` is what its opening is said to be.
    """

    name: str
    like: str = "north"
    seed: int = 1
    years: float = 1.0
    start: datetime = START
    opening: OpeningChoice = "none"
    pair_mm: float | None = None
    kit: str = "usual"
    frame: str = "rigid"
    vary: bool = False
    use: bool = False
    ideal: bool = False
    states: str | None = None

    @cached_property
    def simulated(self) -> SimulatedDoor:
        """The door itself."""
        return SimulatedDoor(
            door=self.like,
            seed=self.seed,
            start_ms=round(self.start.timestamp() * 1000),
            years=self.years,
            opening=self.opening,
            vary=self.vary,
            kit=self.kit,
            pair_mm=self.pair_mm,
            use=self.use,
            ideal=self.ideal,
            states=self.states,
        )

    @property
    def arguments(self) -> list[str]:
        """The same, in the words of `hangtrue-node simulate`."""
        opening = self.opening
        words = {
            "--door": self.like,
            "--seed": str(self.seed),
            "--years": repr(self.years),
            "--start": self.start.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            "--kit": self.kit,
            "--opening": ":".join([self.like, *map(str, opening)]) if isinstance(opening, tuple) else opening,
            "--pair-mm": None if self.pair_mm is None else repr(self.pair_mm),
            "--states": self.states,
        }
        flags = {"--vary": self.vary, "--use": self.use, "--ideal": self.ideal}
        given = [part for key, value in words.items() if value is not None for part in (key, value)]
        return given + [flag for flag, is_on in flags.items() if is_on]

    @property
    def records(self) -> list[CalibrationRecord]:
        """Its installer's calibrations."""
        told = json.dumps(self.simulated.calibration(SITE, self.name))
        return read_records(told, where=f"{self.name}.json")

    @property
    def built(self) -> BuiltDoor:
        """It as built and hung, with the gauges of its kit."""
        head, *tables = example_text(self.like, hung=self.start).split(GAUGE)
        for key in ("node", "name"):
            head = re.sub(rf'^{key} = "{self.like}"$', f'{key} = "{self.name}"', head, flags=re.M)
        head = head.replace('kind = "rigid"', f'kind = "{self.frame}"')
        there = {channel.name for channel in self.simulated.channels}
        kept = [self._spaced(one) for one in tables if re.match('channel = "(.*)"', one)[1] in there]  # type: ignore[index]  # each has one
        kept += [
            f'channel = "{name}"\nkind = "{kind}"\nunit = "/"\nstation_mm = [{at_mm}]\nsd_mm = 0.03\n'
            for name, (kind, at_mm) in MORE.items()
            if name in there
        ]
        return read_door(GAUGE.join([head, *kept]), where=f"{self.name}.toml").built

    def _spaced(self, table: str) -> str:
        if self.pair_mm is None or 'kind = "shoulder"' not in table:
            return table
        return re.sub(r"station_mm = \[(-?)\d+\]", rf"station_mm = [\g<1>{self.pair_mm / 2:g}]", table)


def fleet(
    count: int,
    *,
    years: float,
    first_seed: int = 1,
    opens: str | None = None,
    pair_mm: float | None = None,
    start: datetime = START,
) -> tuple[Asked, ...]:
    """Doors of one long run: north and south by turns, each with air, rates and gauges of its own seed.

    `opens`: the joint that lets go in each of them, on a day of the second year, at 0.05 to 0.2 mrad/yr**1.4;
    drawn from the seed too. None: in no door anything opens.
    """
    return tuple(
        Asked(
            name=f"door-{seed:04d}",
            like=("north", "south")[seed % 2],
            seed=seed,
            years=years,
            start=start,
            opening="none" if opens is None else _opening(opens, seed),
            pair_mm=pair_mm,
            vary=True,
        )
        for seed in range(first_seed, first_seed + count)
    )


def _opening(joint: str, seed: int) -> tuple[str, float, float]:
    rng = np.random.default_rng(seed)
    return joint, round(float(rng.uniform(365.0, 730.0)), 1), round(float(rng.uniform(0.05, 0.2)), 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """The history of a door: moments, shape (n,), and by channel the values as the wire carries them."""

    ms: NDArray[np.int64]
    values: dict[str, NDArray[np.float64]]


def readings_of(door: SimulatedDoor) -> Readings:
    """Every reading of a door without faults; a value is the double nearest to the decimals that are sent."""
    instants = list(door.instants())
    whole = np.array([each.values for each in instants], dtype=np.float64)
    return Readings(
        ms=np.array([each.ms for each in instants], dtype=np.int64),
        values={
            channel.name: whole[:, place] / 10.0**channel.decimals
            for place, channel in enumerate(door.channels)
        },
    )

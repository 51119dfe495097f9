"""A simulated door put together: air, wood, movement, gauges and faults, instant by instant."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path

from sensors.sources.simulated.air import HOUR_MS, air_hours
from sensors.sources.simulated.bench import bench_record
from sensors.sources.simulated.doors import (
    JOINTS,
    DoorBuild,
    OpeningChoice,
    build_of,
    opening_of,
)
from sensors.sources.simulated.draws import stream
from sensors.sources.simulated.errors import SimulationError, shown
from sensors.sources.simulated.faults import Fault, check_faults
from sensors.sources.simulated.gauges import (
    DAY_MS,
    KIT_GAUGES,
    SHOULDER_GAUGES,
    SHOULDERS,
    SPACING_MM,
    Bank,
    Gauge,
    Others,
    SimChannel,
    channels,
    draw_gauges,
)
from sensors.sources.simulated.kits import kit_gauges
from sensors.sources.simulated.leaf import EDGE_GAUGES, edge_readings_mm, shoulder_readings_mm
from sensors.sources.simulated.movement import (
    Course,
    DoorState,
    Happenings,
    door_state,
    given_state,
    swept_hours,
)
from sensors.sources.simulated.spoiling import ClockFix, Spoiler, clock_fixes, happenings_of, span_ms
from sensors.sources.simulated.states import GivenStates, read_states
from sensors.sources.simulated.truth import TruthRow, truth_row, write_events, write_rows
from sensors.sources.simulated.use import UseMeter, closings
from sensors.sources.simulated.weather import Weather, read_weather
from sensors.sources.simulated.wood import START_PCT, Moisture, moisture_hours

_YEAR_MS = 365.25 * DAY_MS
_MOST_YEARS = 60.0
_NO_FAULTS_MM: dict[str, float] = {}
_ALL_LENGTHS = SHOULDER_GAUGES + EDGE_GAUGES  # in the order in which they are reckoned
_PAIR_MM = (30.0, 400.0)
_PLAIN_UNITS = {"Cel": "degC", "%RH": "%", "V": "V", "/": "/", "count": "count", "m/s2": "m/s2"}
_PLAIN_SIGMA = {
    "air-temp": 0.1,
    "air-rh": 0.5,
    "battery": 0.002,
    "shut": 0.0,
    "ref": 1.2e-5,
    "openings": 0.0,
    "slam": 0.1,
}


@dataclass(frozen=True, slots=True)
class SimInstant:
    """One instant as taken: values in channel order, whole numbers of 10**-decimals, None left out.

    `problems` names the channels left out, each with its code; `clock` is utc, drift or none.
    """

    ms: int
    values: tuple[int | None, ...]
    problems: tuple[tuple[str, str], ...]
    clock: str
    boot: int


@dataclass(frozen=True, kw_only=True)
class SimulatedDoor:
    """A door of known truth, the same at each run from its seed, name and start.

    `door` is `north` or `south`; `start_ms` a whole hour, the moment of hanging; the history covers `years`
    in steps of `history_step_s`. `opening`: None for the demo's own, "none", or (joint, day, mrad/yr**1.4).
    `swap` gives the demo's opening to the other door; `vary` draws its rates; `kit` says which gauges hang
    there (`kits.kit_gauges`), `pair_mm` how far apart those of every shoulder are, instead of their own;
    `use` adds the counter of openings and the peak meter; `ideal` takes the gauges' own errors away; `csv` is
    a weather file; `states` a file of movements that take the place of the model's own.

    Raises SimulationError, when made, for arguments that it cannot follow.
    """

    door: str
    seed: int
    start_ms: int
    years: float
    history_step_s: int = 5400
    opening: OpeningChoice = None
    swap: bool = False
    vary: bool = False
    kit: str = "usual"
    pair_mm: float | None = None
    use: bool = False
    faults: Sequence[Fault] = ()
    ideal: bool = False
    csv: Path | str | None = None
    states: Path | str | None = None

    def __post_init__(self) -> None:
        if self.start_ms % HOUR_MS or self.start_ms < 0:
            raise SimulationError("start_ms", "a whole hour since 1970", f"{self.start_ms}")
        if not 0.0 < self.years <= _MOST_YEARS:
            raise SimulationError("years", f"more than 0, at most {_MOST_YEARS:g}", f"{self.years:g}")
        if not 1 <= self.history_step_s <= 86_400:
            raise SimulationError("history_step_s", "1 to 86400", f"{self.history_step_s}")
        self._build  # noqa: B018 - made now, so that a wrong door, opening or weather file is refused now
        self._happenings  # noqa: B018
        self._weather  # noqa: B018
        if self.pair_mm is not None and not _PAIR_MM[0] <= self.pair_mm <= _PAIR_MM[1]:
            needed = f"{_PAIR_MM[0]:g} to {_PAIR_MM[1]:g}"
            raise SimulationError("pair_mm", needed, f"{self.pair_mm:g}")
        check_faults(self.faults, self.channels)
        if self._states is not None:
            self._check_given()

    @cached_property
    def channels(self) -> tuple[SimChannel, ...]:
        """The channels in the order of an instant's values: 18 unless another kit or `use` is asked for."""
        return channels(kit_gauges(self.kit), use=self.use, ideal=self.ideal)

    @property
    def count(self) -> int:
        """How many moments the history has, those that faults take away among them."""
        return math.ceil(round(self.years * _YEAR_MS, 3) / (self.history_step_s * 1000))

    @property
    def history_end_ms(self) -> int:
        """The moment after the history at which live time begins."""
        return self.start_ms + self.count * self.history_step_s * 1000

    @property
    def notes(self) -> tuple[str, ...]:
        """What a person should know of the weather file: the hours that were filled."""
        return self._weather.notes if self._weather else ()

    @property
    def clock_fixes(self) -> tuple[ClockFix, ...]:
        """The corrections that the node has to tell at the end of each clock drift."""
        return clock_fixes(self.faults, self.start_ms)

    @property
    def offline_spans(self) -> tuple[tuple[int, int], ...]:
        """Spans, [first, last) ms, in which the node takes instants and sends nothing."""
        spans = (span_ms(fault, self.start_ms) for fault in self.faults if fault.kind == "offline")
        return tuple((first, last) for first, last in spans if last is not None)

    def instants(self, *, upto_ms: int | None = None, live_step_s: int | None = None) -> Iterator[SimInstant]:
        """The history from the start on, and with `live_step_s` the time after it, in steps of that.

        Ends with the history, after `upto_ms`, or never; always reckoned from the start, so the instants of
        two runs are the same. Faults are in them: a node that is off or dead gives none.
        """
        bank = Bank(self._gauges, seed=self.seed, door=self.door)
        extras = Others(seed=self.seed, door=self.door, ideal=self.ideal)
        spoiler = Spoiler(
            self.faults, channels=self.channels, seed=self.seed, door=self.door, start_ms=self.start_ms
        )
        meter = self._meter() if self.use else None
        scales = [10.0**channel.decimals for channel in self.channels]
        kit = sum(gauge.name in KIT_GAUGES for gauge in self._gauges)
        path = Course(self._hours(), self.start_ms)
        last_ms = -1
        for ms in self._moments(upto_ms, live_step_s):
            if self.faults and spoiler.is_dead(ms):
                return
            hour, swept_pct = path.at(ms)
            offsets = spoiler.offsets(ms) if self.faults else _NO_FAULTS_MM
            plain = extras.read(ms, (ms - self.start_ms) / _YEAR_MS, hour, offsets)
            ratios = bank.read(
                self._lengths_mm(ms, hour, swept_pct),
                day=(ms - self.start_ms) / DAY_MS,
                temp_c=hour.temp_c,
                is_open=plain[2] == 0.0,
                faults_mm=offsets,
            )
            values = [*plain[:2], *ratios[:kit], *plain[2:], *ratios[kit:]]
            values += meter.upto(ms) if meter else ()
            if not self.faults:
                whole = tuple([round(value * scale) for value, scale in zip(values, scales, strict=True)])
                yield SimInstant(ms, whole, (), "utc", 1)
                continue
            if spoiler.is_off(ms):
                continue
            instant = _spoilt(spoiler, values, scales, ms)
            last_ms = max(instant.ms, last_ms + 1)
            yield replace(instant, ms=last_ms)

    def calibration(self, site: str, node: str) -> list[dict[str, object]]:
        """The calibration records of all channels as an installer would have them, valid from the start on.

        Displacement gauges: kind table (ideal: linear), mm; edge gauges show the gap, shoulders the opening,
        diagonals the change since hung. The others: kind linear, [offset, gain].
        """
        gauges = {gauge.name: gauge for gauge in self._gauges}
        return [
            {
                "channel": f"{site}/{node}/{channel.name}",
                "from_ms": self.start_ms,
                **self._record(channel, gauges.get(channel.name)),
                "by": "simulated",
            }
            for channel in self.channels
        ]

    def describe(self, site: str, node: str) -> tuple[list[dict[str, str | int]], list[dict[str, object]]]:
        """The `[[channel]]` tables of a node file, and the calibration records."""
        tables: list[dict[str, str | int]] = [
            {"name": each.name, "unit": each.unit, "source": "simulated"} for each in self.channels
        ]
        if self.ideal:
            for table, channel in zip(tables, self.channels, strict=True):
                table["decimals"] = channel.decimals
        return tables, self.calibration(site, node)

    def truth_rows(self) -> Iterator[TruthRow]:
        """The truth at each 00:00 UTC of the history (`truth.truth_row`)."""
        meter = self._meter() if self.use else None
        end_ms = self.start_ms + self.years * _YEAR_MS
        for k, (hour, swept_pct) in enumerate(self._hours()):
            ms = self.start_ms + k * HOUR_MS
            if ms >= end_ms:
                return
            if ms % DAY_MS == 0:
                yield truth_row(ms, self._state(ms, hour, swept_pct), meter.upto(ms) if meter else None)

    def write_truth(self, folder: Path | str, node: str) -> None:
        """`<node>.csv` and `<node>.events.json` in a folder, which is made when missing."""
        into = Path(folder)
        into.mkdir(parents=True, exist_ok=True)
        write_rows(into / f"{node}.csv", self.truth_rows())
        run: dict[str, object] = {
            "door": self.door,
            "seed": self.seed,
            "start_ms": self.start_ms,
            "start": datetime.fromtimestamp(self.start_ms / 1000.0, tz=UTC).isoformat(),
            "years": self.years,
            "history_step_s": self.history_step_s,
            "kit": self.kit,
            "pair_mm": self.pair_mm,
            "use": self.use,
            "ideal": self.ideal,
            "states": None if self.states is None else Path(self.states).name,
            "weather": None if self.csv is None else Path(self.csv).name,
        }
        openings = [asdict(opening) for opening in self._happenings.openings]
        figures = {**asdict(self._build), "joints": list(JOINTS), "openings": openings}
        path = into / f"{node}.events.json"
        write_events(path, faults=self.faults, start_ms=self.start_ms, run=run, figures=figures)

    @cached_property
    def _build(self) -> DoorBuild:
        return build_of(self.door, seed=self.seed, vary=self.vary)

    @cached_property
    def _happenings(self) -> Happenings:
        opening = opening_of(self.door, self.opening, swap=self.swap)
        return happenings_of(self.faults, None if self.states is not None else opening)

    @cached_property
    def _weather(self) -> Weather | None:
        return None if self.csv is None else read_weather(self.csv)

    @cached_property
    def _gauges(self) -> tuple[Gauge, ...]:
        return draw_gauges(kit_gauges(self.kit), seed=self.seed, door=self.door, ideal=self.ideal)

    @cached_property
    def _places(self) -> tuple[int, ...]:
        return tuple(_ALL_LENGTHS.index(gauge.name) for gauge in self._gauges)

    @cached_property
    def _states(self) -> GivenStates | None:
        return None if self.states is None else read_states(self.states)

    def _check_given(self) -> None:
        """Raises SimulationError when, beside given states, a movement of the model's is asked for."""
        moving = [fault.kind for fault in self.faults if fault.kind in ("opening", "slam", "rehang")]
        if self.opening not in (None, "none") or self.swap or self.vary or moving:
            needed = "no opening, swap, vary, slam or rehang beside them: they are the movement"
            raise SimulationError("states", needed, shown(moving or "an opening, swap or vary"))

    def _meter(self) -> UseMeter:
        slams = self._happenings.slams
        return UseMeter(closings(seed=self.seed, door=self.door, start_ms=self.start_ms, slams=slams))

    def _hours(self) -> Iterator[tuple[Moisture, float]]:
        airs = air_hours(seed=self.seed, start_ms=self.start_ms, weather=self._weather)
        return swept_hours(moisture_hours(self._build, airs))

    def _moments(self, upto_ms: int | None, live_step_s: int | None) -> Iterator[int]:
        end = math.inf if upto_ms is None else upto_ms
        step_ms = self.history_step_s * 1000
        ms = self.start_ms
        for _ in range(self.count):
            if ms > end:
                return
            yield ms
            ms += step_ms
        while live_step_s is not None and ms <= end:
            yield ms
            ms += live_step_s * 1000

    def _state(self, ms: int, hour: Moisture, swept_pct: float) -> DoorState:
        if self._states is not None:
            move = self._states.at((ms - self.start_ms) / DAY_MS)
            return given_state(move, moisture_pct=hour.mean_pct)
        years = (ms - self.start_ms) / _YEAR_MS
        return door_state(
            self._build, self._happenings, years=years, moisture_pct=hour.mean_pct, swept_pct=swept_pct
        )

    def _lengths_mm(self, ms: int, hour: Moisture, swept_pct: float) -> list[float]:
        state, build = self._state(ms, hour, swept_pct), self._build
        opening_mm = build.across_per_pct * build.anchor_mm * (build.glue_up_pct - hour.mean_pct)
        face_strain = build.across_per_pct * (hour.face_pct - START_PCT)
        lengths: list[float] = []
        for joint, turn in zip(SHOULDERS, state.turns_mrad, strict=False):
            lengths += shoulder_readings_mm(
                opening_mm=opening_mm,
                turn_mrad=turn,
                spacing_mm=self.pair_mm or SPACING_MM[joint],
                at_hinge=joint.endswith("hinge"),
                face_strain=face_strain,
            )
        lengths += edge_readings_mm(state.move)
        return [lengths[place] for place in self._places]

    def _record(self, channel: SimChannel, gauge: Gauge | None) -> dict[str, object]:
        if gauge is None:
            return {
                "kind": "linear",
                "unit_out": _PLAIN_UNITS[channel.unit],
                "sigma": _PLAIN_SIGMA[channel.name],
                "coefficients": [0.0, 1.0],
                "note": "simulated; sent in its own unit",
            }
        shown_mm = gauge.nominal_mm if gauge.opens else 0.0
        if self.ideal:
            offset = shown_mm - gauge.centre * gauge.stroke_mm
            return {
                "kind": "linear",
                "unit_out": "mm",
                "sigma_mm": 0.00001,
                "coefficients": [offset, gauge.stroke_mm],
                "note": "simulated; a gauge without error",
            }
        return bench_record(gauge, stream(self.seed, self.door, gauge.name, "bench"), shown_mm=shown_mm)


def _spoilt(spoiler: Spoiler, values: list[float], scales: list[float], ms: int) -> SimInstant:
    sent, problems = spoiler.spoil(values, ms)
    whole = tuple(
        [None if value is None else round(value * scale) for value, scale in zip(sent, scales, strict=True)]
    )
    stamp, clock = spoiler.clock(ms)
    return SimInstant(stamp, whole, problems, clock, spoiler.boot(ms))

"""What the inversion makes of simulated doors: `python -m tests.bench.inspection.bars [--seeds 20]`.

Each door has every gauge of the kit, an installer's calibrations and the demo's own opening. Its readings go
through calibration, the electronic zero and the daily median as the store makes them, then through line,
moisture and map as a look does. Prints how far rack and turn lie from the truth, and of each kit in each kind
of opening the share of days on which a 95 % interval that may be used holds the truth. Ends with 1 when a
bar is missed. `--wire` first sends a door of each kind over the true wire and compares what is stored.
"""

import argparse
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from sensors.sources.simulated.kits import KITS
from server.doors.carpentry import shape_of, stations_of
from server.inspection.line import Line, drawn_line
from server.inspection.moisture import moisture_of
from server.inspection.series import trended_gauges
from server.inspection.values import DoorInputs, GaugeDays
from server.joinery import leaf
from server.readings import rezero, store
from server.readings.calibration import apply
from server.readings.rollup import medians, rolled
from server.readings.write import DAY_MS
from tests.bench.asked import Asked, Readings, readings_of
from tests.bench.yard import channels_of, make_nodes, send
from tests.inspection.doors import HUNG, hung
from tests.journeys.yard import make_yard, serving

FRAMES = ("rigid", "head_drops", "leans")
LETTERS = tuple("ABCDEFG")
RACK_MM, RACK_NINE_IN_TEN_MM = 0.004, 0.006
TURN_MRAD, TURN_NINE_IN_TEN_MRAD = 0.015, 0.03
HELD = 0.93
SPACING_MM = 170.0
Floats = NDArray[np.float64]
Key = tuple[str, str, str]  # kit, opening, what is told


@dataclass(frozen=True, slots=True, kw_only=True)
class Days:
    """A door's days: day since 1970, by gauge the shut median and its count, by channel the mean."""

    day: NDArray[np.int64]
    median: Mapping[str, Floats]
    n: NDArray[np.int64]
    mean: Mapping[str, Floats]


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """One door: rms of its errors, and by kit, opening and movement how its intervals fare."""

    rack_rms_mm: float
    plain_rms_mm: float
    turn_rms_mrad: Mapping[str, float]
    held: Mapping[Key, "Held"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Days after the line; those that may be judged and those told at all, and how many hold the truth."""

    days: int
    usable: int
    usable_held: int
    told: int
    told_held: int


def asked_of(like: str, seed: int, years: float) -> Asked:
    """The demo's door of that seed, with every gauge."""
    return Asked(
        name=f"{like}-{seed}", like=like, seed=seed, years=years, start=HUNG, opening=None, kit="every"
    )


def days_of(asked: Asked, readings: Readings) -> Days:
    """The days as the store makes them, for an instant for which the leaf is shut on every day."""
    ms, used = readings.ms, _shifts(readings)
    shut = readings.values["shut"] == 1.0
    median, mean, whole = {}, {}, rolled(ms // DAY_MS, ms, readings.values["ref"])
    for record in asked.records:
        name = record.channel.rpartition("/")[2]
        unit = next(one.unit for one in asked.simulated.channels if one.name == name)
        sent = readings.values[name]
        if unit == "/" and name not in rezero.NOT_CORRECTED:
            sent = rezero.shifted(ms, sent, used)
        value = apply(record.kind, record.coefficients, sent).value
        median[name] = medians(ms[shut] // DAY_MS, value[shut])[1]
        mean[name] = rolled(ms // DAY_MS, ms, value).mean
    counted = rolled(ms[shut] // DAY_MS, ms[shut], readings.values["ref"][shut])
    if counted.span.size < whole.span.size:
        raise AssertionError("a day on which the leaf was never shut: take another seed")
    return Days(day=whole.span, median=median, n=counted.n, mean=mean)


def scored(asked: Asked) -> Score:
    """How far from the truth a door is read."""
    days = days_of(asked, readings_of(asked.simulated))
    built = asked.built
    names = trended_gauges(built)
    inputs = DoorInputs(
        door=hung(asked.like, built=built),
        hung_day=int(HUNG.timestamp() * 1000) // DAY_MS,
        day=days.day - int(HUNG.timestamp() * 1000) // DAY_MS,
        gauges={name: GaugeDays(median=days.median[name], n=days.n) for name in names},
        temp_c=days.mean["air-temp"],
        rh_pct=days.mean["air-rh"],
    )
    line = drawn_line(inputs, names)
    zeroed = {name: days.median[name] - line.zero_mm[name] for name in names}
    truth = {key: _zeroed(value, inputs, line) for key, value in _truth(asked, days.day).items()}
    later = (inputs.day >= line.stop) & np.isfinite(truth["rack"])
    moisture = moisture_of(inputs, line)
    growth = leaf.growth_prior(
        None if moisture is None else moisture.change_pct,
        days=inputs.day.size,
        start_doubt_pct=0.0 if moisture is None else moisture.start_doubt_pct,
    )
    diagonals = _moved(asked, ("diag-fall", "diag-rise"), zeroed, "rigid", growth)
    plain = 0.553953 * (zeroed["diag-fall"] - zeroed["diag-rise"])  # of the sensors' page on gauges
    held = {
        (letter, frame, name): _held(
            _moved(asked, KITS[letter], zeroed, frame, growth), name, truth[name], later
        )
        for letter in LETTERS
        for frame in FRAMES
        for name in leaf.DERIVED
    }
    return Score(
        rack_rms_mm=_rms((diagonals.derived_mm[:, leaf.DERIVED.index("rack")] - truth["rack"])[later]),
        plain_rms_mm=_rms((plain - truth["rack"])[later]),
        turn_rms_mrad={
            joint: _rms((_turn(zeroed, joint) - truth[joint])[later])
            for joint in ("lock-hinge", "lock-latch")
        },
        held=held,
    )


def told(scores: Mapping[str, Sequence[Score]]) -> Iterator[str]:
    """The tables, and a line for each bar that is missed."""
    missed = []
    for door, some in scores.items():
        for what, values, bars in _bars(door, some):
            middle, ninth = float(np.median(values)), float(np.quantile(values, 0.9, method="higher"))
            yield f"{door:6} {what:32} median {middle:.4f}  nine in ten {ninth:.4f}  worst {max(values):.4f}"
            if bars and (middle > bars[0] or ninth > bars[1]):
                missed.append(f"missed: {door} {what}: {middle:.4f}, {ninth:.4f} of {bars[0]}, {bars[1]}")
    shares = "".join(f"{what:>8}{'held':>9}{'least':>9}" for what in ("usable", "told"))
    yield f"{'kit':4}{'opening':12}{'what':7}{shares}"
    every = [score for door in scores.values() for score in door]
    for key in every[0].held:
        line, worst = _row([score.held[key] for score in every])
        if line:
            yield f"{key[0]:4}{key[1]:12}{key[2]:7}{line}"
        if worst < HELD:
            missed.append(f"missed: {' '.join(key)}: {worst:.4f} of {HELD}")
    yield from missed or ["Every bar is kept."]


def wire_differences(asked: Asked) -> Iterator[str]:
    """What the store says otherwise of a door that came over the wire; nothing when equal bit for bit."""
    readings = readings_of(asked.simulated)
    days = days_of(asked, readings)
    with tempfile.TemporaryDirectory(prefix="bars-") as folder:
        yard = make_yard(Path(folder))
        make_nodes(yard, [asked])
        with serving(yard) as served:
            send(yard, served, [asked])
        with yard.opened() as engine, Session(engine) as session:
            ids = {name: one.id for name, one in channels_of(session, asked.name).items()}
            end_ms = int(readings.ms[-1]) + 1
            whole = days.day < end_ms // DAY_MS  # the last day goes on live
            by_day = store.day_medians(session, list(ids.values()), int(days.day[0]), end_ms // DAY_MS)
            for name, channel in ids.items():
                raw = store.raw(session, channel, 0, end_ms)
                if raw.ms.tobytes() != readings.ms.tobytes():
                    yield f"{name}: other moments"
                if raw.value.tobytes() != readings.values[name].tobytes():
                    yield f"{name}: other values"
                if by_day[channel].median.tobytes() != days.median[name][whole].tobytes():
                    yield f"{name}: other daily medians"


def _shifts(readings: Readings) -> dict[int, float]:
    """The electronic zero's shifts, as from the store's windows."""
    window, middle = medians(readings.ms // rezero.WINDOW_MS, readings.values["ref"])
    n = rolled(readings.ms // rezero.WINDOW_MS, readings.ms, readings.values["ref"]).n
    first = middle[n >= rezero.FEWEST][0]
    shifts = {
        int(w): float(m - first) for w, m, k in zip(window, middle, n, strict=True) if k >= rezero.FEWEST
    }
    return {w: shift for w, shift in shifts.items() if rezero.NOISE <= abs(shift) <= rezero.MOST}


def _truth(asked: Asked, day: NDArray[np.int64]) -> dict[str, Floats]:
    """Each day's truth, half-way between its two midnights; NaN on a day without both."""
    rows = {int(row["ms"]) // DAY_MS: row for row in asked.simulated.truth_rows()}
    names = {name: f"{name}_mm" for name in leaf.DERIVED}
    names |= {joint: f"psi_{joint}_mrad" for joint in ("lock-hinge", "lock-latch")}
    return {
        name: np.array(
            [
                (float(rows[d][column]) + float(rows[d + 1][column])) / 2
                if d in rows and d + 1 in rows
                else np.nan
                for d in day.tolist()
            ]
        )
        for name, column in names.items()
    }


def _zeroed(value: Floats, inputs: DoorInputs, line: Line) -> Floats:
    within = (inputs.day >= line.start) & (inputs.day < line.stop)
    return np.asarray(value - np.median(value[within]))


def _moved(
    asked: Asked, gauges: Sequence[str], zeroed: Mapping[str, Floats], frame: str, growth: leaf.Growth
) -> leaf.Movement:
    stations = {name: one for name, one in stations_of(asked.built).items() if name in gauges}
    change_mm = np.column_stack([zeroed[name] for name in stations])
    return leaf.moved(shape_of(asked.built), list(stations.values()), change_mm, opening=frame, growth=growth)


def _held(found: leaf.Movement, name: str, truth: Floats, later: NDArray[np.bool_]) -> Held:
    place, words = leaf.DERIVED.index(name), np.array(found.told(name))
    error = np.abs(found.derived_mm[:, place] - truth)
    inside = error <= 1.96 * found.derived_sd_mm[:, place]
    usable, told_at_all = later & (words == "usable"), later & (words != "not_told")
    return Held(
        days=int(later.sum()),
        usable=int(usable.sum()),
        usable_held=int((usable & inside).sum()),
        told=int(told_at_all.sum()),
        told_held=int((told_at_all & inside).sum()),
    )


def _row(some: Sequence[Held]) -> tuple[str, float]:
    """Shares over all doors and the least of a door, in words, and the lower of the two that hold."""
    days, line, worst = sum(one.days for one in some), "", 1.0
    if not any(one.told for one in some):
        return "", 1.0
    for pairs in (
        [(one.usable, one.usable_held) for one in some],
        [(one.told, one.told_held) for one in some],
    ):
        asked, held = (sum(column) for column in zip(*pairs, strict=True))
        if not asked:
            line += f"{0:>8.3f}{'':>9}{'':>9}"
            continue
        least = min(inside / of for of, inside in pairs if of)
        line += f"{asked / days:>8.3f}{held / asked:>9.4f}{least:>9.4f}"
        worst = min(worst, held / asked)
    return line, worst


def _turn(zeroed: Mapping[str, Floats], joint: str) -> Floats:
    top, bottom = zeroed[f"{joint}-top"], zeroed[f"{joint}-bottom"]
    return leaf.turn_mrad(top, bottom, spacing_mm=SPACING_MM, end=joint.rpartition("-")[2])


def _rms(error: Floats) -> float:
    return float(np.sqrt(np.mean(error**2)))


def _bars(door: str, some: Sequence[Score]) -> Iterator[tuple[str, list[float], tuple[float, float] | None]]:
    rack_bars, turn_bars = (RACK_MM, RACK_NINE_IN_TEN_MM), (TURN_MRAD, TURN_NINE_IN_TEN_MRAD)
    yield "rack by diagonals, inverted, mm", [one.rack_rms_mm for one in some], rack_bars
    yield "rack by diagonals, difference, mm", [one.plain_rms_mm for one in some], rack_bars
    for joint in ("lock-hinge", "lock-latch"):
        bars = turn_bars if door == "south" else None
        yield f"turn {joint}, mrad", [one.turn_rms_mrad[joint] for one in some], bars


def main() -> int:
    """Score the doors and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--years", type=float, default=3.0)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--wire", action="store_true")
    given = parser.parse_args()
    doors = [
        asked_of(like, seed, given.years) for like in ("north", "south") for seed in range(1, given.seeds + 1)
    ]
    lines = []
    if given.wire:
        for asked in (doors[0], doors[given.seeds]):
            found = list(wire_differences(asked))
            lines += [
                f"{asked.name}: over the wire and straight, bit for bit: {'equal' if not found else 'not'}"
            ]
            lines += [f"missed: {one}" for one in found]
    with ProcessPoolExecutor(given.workers) as pool:
        scores = list(pool.map(scored, doors))
    lines += told({"north": scores[: given.seeds], "south": scores[given.seeds :]})
    sys.stdout.write("\n".join(lines) + "\n")
    return 1 if any(line.startswith("missed") for line in lines) else 0


if __name__ == "__main__":
    sys.exit(main())

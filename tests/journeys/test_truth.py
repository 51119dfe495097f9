"""The demo's two doors, three years: the figures of what stays that a door's page has, against the truth.

The simulator's readings, calibrated, are put into the store day by day; the doors are looked at by the
nightly run; what the page reads is read back and compared with the truth file that the simulator wrote. Its
figures are invented.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy.orm import Session

from sensors.sources.simulated.door import SimulatedDoor
from server.database import open_engine
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.register import DoorHung, add_door, enrol_node
from server.inspection.results import SeriesResult, results_of
from server.inspection.spans import trended_gauges
from server.inspection.values import DoorInputs, GaugeDays
from server.schema import upgrade
from server.service import nightly
from tests.bench.inspection.__main__ import days_of
from tests.bench.truths import Truth, read_truth
from tests.fakes.clock import HandClock
from tests.fakes.once import kept_once
from tests.inspection.stored import store

DOORS = ("north", "south")
HUNG = datetime(2023, 11, 20, 8, tzinfo=UTC)
START_MS = round(HUNG.timestamp() * 1000)
HUNG_DAY = START_MS // 86_400_000
YEARS, SEED, AHEAD_YEARS = 3.0, 1, 8.0
SETTLED, YEAR = 90, 365.25
TOLD = ("droop", "sag", "rack", "turn:", "opening:")


def simulated(door: str, *, years: float) -> SimulatedDoor:
    return SimulatedDoor(door=door, seed=SEED, start_ms=START_MS, years=years)


def inputs_of(door: DoorHung, made: SimulatedDoor) -> DoorInputs:
    day, median, mean = days_of(made)
    count = np.full(day.size, 16)
    return DoorInputs(
        door=door,
        hung_day=HUNG_DAY,
        day=day - HUNG_DAY,
        gauges={name: GaugeDays(median=median[name], n=count) for name in trended_gauges(door.built)},
        temp_c=mean["air-temp"],
        rh_pct=mean["air-rh"],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Yard:
    """Both doors, as their pages read them, and the truth of each."""

    results: Mapping[str, Mapping[str, SeriesResult]]
    truths: Mapping[str, Truth]


@pytest.fixture(scope="module")
def yard(of_run: Path, tmp_path_factory: pytest.TempPathFactory) -> Yard:
    return kept_once(of_run, "truth", lambda: looked_at(tmp_path_factory.mktemp("truth")))


def looked_at(folder: Path) -> Yard:
    url = f"sqlite:///{folder / 'yard.db'}"
    upgrade(url)
    engine = open_engine(url)
    ids = {}
    with Session(engine) as session, session.begin():
        for name in DOORS:
            enrol_node(session, "saltmarsh-yard", name, kind="tracked", zone="Europe/London", now=HUNG)
            built = read_door(example_text(name, hung=HUNG), where=f"{name}.toml").built
            hung = add_door(session, built, now=HUNG)
            ids[name] = hung.id
            store(session, hung, inputs_of(hung, simulated(name, years=YEARS)))
            simulated(name, years=AHEAD_YEARS).write_truth(folder, name)
    clock = HandClock(HUNG + timedelta(days=math.ceil(YEARS * YEAR)))
    done = nightly.run_due(engine, clock=clock, look_at="05:00", zone="Europe/London")
    assert {one.status for one in done} == {"done"}
    with Session(engine) as session:
        results = {name: results_of(session, door_id) for name, door_id in ids.items()}
    engine.dispose()
    return Yard(results=results, truths={name: read_truth(folder, name) for name in DOORS})


def told(yard: Yard, door: str) -> dict[str, SeriesResult]:
    """The series of joints and leaf whose what-stays is told."""
    found = {key: one for key, one in yard.results[door].items() if key.startswith(TOLD)}
    return {key: one for key, one in found.items() if one.facts.get("stays") is not None}


def number(one: SeriesResult, name: str) -> int | float:
    value = one.facts[name]
    assert isinstance(value, int | float)
    return value


def days_since(one: SeriesResult) -> tuple[int, int, int]:
    """Places in the truth of the line's first day, of the day after it, and of the last day heard."""
    places = (number(one, "line_from"), number(one, "line_to"), number(one, "last_day"))
    first, stop, last = (int(place) - HUNG_DAY for place in places)
    return first, stop, last


@pytest.mark.parametrize("door", DOORS)
def test_most_of_it_is_told(yard: Yard, door: str) -> None:
    series = {key for key in yard.results[door] if key.startswith(TOLD)}
    assert len(series) == 9
    assert len(told(yard, door)) >= 8
    assert "droop" in told(yard, door)


FIGURES = [(door, kind) for door in DOORS for kind in ("droop", "sag", "rack", "turn:", "opening:")]


def of_kind(yard: Yard, door: str, kind: str) -> dict[str, SeriesResult]:
    return {key: one for key, one in told(yard, door).items() if key.startswith(kind)}


@pytest.mark.parametrize(("door", "kind"), FIGURES)
def test_what_stays_is_between_the_bounds_that_are_said(yard: Yard, door: str, kind: str) -> None:
    off = {}
    for key, one in of_kind(yard, door, kind).items():
        first, stop, last = days_since(one)
        truth = yard.truths[door].stays(key)
        stays = float(truth[last] - truth[first:stop].mean())
        if not number(one, "stays_low") <= stays <= number(one, "stays_high"):
            off[key] = (stays, one.facts["stays_low"], one.facts["stays_high"])
    assert off == {}


@pytest.mark.parametrize(("door", "kind"), FIGURES)
def test_the_growth_is_between_the_bounds_that_are_said(yard: Yard, door: str, kind: str) -> None:
    off = {}
    for key, one in of_kind(yard, door, kind).items():
        _, _, last = days_since(one)
        truth = yard.truths[door].stays(key)
        rate = float(truth[last] - truth[SETTLED]) / (last - SETTLED) * YEAR
        if one.low is None or one.high is None or not one.low <= rate <= one.high:
            off[key] = (rate, one.low, one.high)
    assert off == {}


@pytest.mark.parametrize("door", DOORS)
def test_only_a_joint_that_opens_has_an_alarm_and_its_date_holds(yard: Yard, door: str) -> None:
    openings = yard.truths[door].parameters["openings"]
    assert isinstance(openings, list)
    opening = {f"turn:{each['joint']}" for each in openings}
    alarmed = {key for key, one in yard.results[door].items() if one.facts.get("alarm") is True}
    assert alarmed <= opening | {"droop", "rack"}
    assert opening <= alarmed
    for key in sorted(alarmed):
        one = yard.results[door][key]
        first, stop, _ = days_since(one)
        truth = yard.truths[door].stays(key)
        over = np.flatnonzero(truth - truth[first:stop].mean() >= number(one, "limit"))
        date = one.facts["forecast"]
        assert isinstance(date, dict)
        reached = HUNG_DAY + int(over[0]) if over.size else None
        assert reached is None or date["earliest"] <= max(reached, int(number(one, "last_day")))
        assert date["latest"] is None or (reached is not None and reached <= date["latest"])

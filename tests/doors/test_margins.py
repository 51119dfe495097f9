"""The least gap round a leaf: against the published cases (tests/published/margins.json)."""

from dataclasses import replace

import numpy as np
import pytest

from server.doors.built import BuiltDoor
from server.doors.carpentry import shape_of, stations_of
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.margins import margin, margin_as_hung, margin_now
from server.joinery.leaf import STATES, read
from tests.joinery import yard

CASES = yard.cases("margins")


def door() -> BuiltDoor:
    return read_door(example_text("north"), where="x.toml").built


@pytest.mark.parametrize("name", ["leaf-bind-near", "leaf-bind-touching"])
def test_the_least_gap_is_the_published_one(name: str) -> None:
    states = np.array([CASES[name]["input"]["state"][state] for state in STATES])
    found, published = margin(yard.SHAPE, states), CASES[name]["output"]
    assert found.least_mm == pytest.approx(published["margin_mm"], rel=1e-6)
    assert f"{found.edge}@{found.at_mm:g}" == published["at"]


def test_as_hung_it_is_the_least_of_its_gaps() -> None:
    found = margin_as_hung(door())
    assert found.least_mm == pytest.approx(2.0)
    assert found.where.startswith("at the hinge edge")


def test_the_gauges_tell_how_much_is_left() -> None:
    built, states = door(), np.zeros((1, 8))
    states[0, STATES.index("gam")] = 1.5e-3
    states[0, STATES.index("phi")] = 0.6e-3
    change = {
        name: float((read(shape_of(built), station, states) - read(shape_of(built), station, 0 * states))[0])
        for name, station in stations_of(built).items()
    }
    found = margin_now(built, change, moisture_change_pct=0.0)
    assert found is not None
    assert found.least_mm == pytest.approx(margin(shape_of(built), states[0]).least_mm, abs=0.02)


def test_gauges_that_cannot_tell_say_nothing() -> None:
    built = door()
    assert margin_now(built, {}) is None
    assert margin_now(built, dict.fromkeys(stations_of(built), np.nan)) is None
    edges = {name: 0.0 for name in stations_of(built) if not name.startswith("diag")}
    leaning = replace(built, opening=replace(built.opening, kind="leans"))
    assert margin_now(leaning, edges) is None
    assert margin_now(built, edges) is not None

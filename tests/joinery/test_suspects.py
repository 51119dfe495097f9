"""A gauge that is off, against the published cases (tests/published/frame.json) and refitting without it."""

from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.joinery.leaf import STATES, Growth, growth_prior, moved, prior_sd, read, row
from server.joinery.suspects import suspicion
from tests.joinery import yard
from tests.refusals import refuses

CASES = [case for name, case in yard.cases("frame").items() if name.startswith("fault-")]
PLANNED = Growth(mean=np.zeros(1), sd=np.array([4e-5]))


def growth(case: dict[str, Any]) -> Growth:
    if "lam_prior" not in case["input"]:
        return PLANNED
    return growth_prior([case["input"]["lam_prior"]["d_mc_pct"]])


def change(case: dict[str, Any]) -> dict[str, float]:
    hung = {
        name: float(read(yard.SHAPE, yard.STATIONS[name], np.zeros((1, len(STATES))))[0])
        for name in case["input"]["kit"]
    }
    return {name: reading - hung[name] for name, reading in case["input"]["readings"].items()}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_published_fault(case: dict[str, Any]) -> None:
    stations = {name: yard.STATIONS[name] for name in case["input"]["kit"]}
    found = suspicion(yard.SHAPE, stations, change(case), opening=case["input"]["prior"], growth=growth(case))
    out = case["output"]
    for name in stations:
        assert found.off_sd[name] == pytest.approx(out["w"][name], rel=1e-6, abs=1e-8)
        assert found.redundancy[name] == pytest.approx(out["redundancy"][name], rel=1e-6)
        assert found.smallest_mm[name] == pytest.approx(out["smallest_nameable_mm"][name], rel=1e-6)
    assert found.worst_without == pytest.approx(out["max_w_after_removal"], rel=1e-6)
    assert set(found.suspects) == set(out["suspects"])
    assert found.named == out["named"]


def test_disagreement_is_what_refitting_without_it_leaves() -> None:
    """Second way: predict the gauge from all the others, and divide by what that may be wrong."""
    case = CASES[0]
    names, readings = case["input"]["kit"], change(case)
    out = names.index("head-latch")
    others = [yard.STATIONS[name] for name in names if name != "head-latch"]
    values = np.array([[readings[name] for name in names if name != "head-latch"]])
    fitted = moved(yard.SHAPE, others, values, opening="rigid", growth=PLANNED)
    ours = row(yard.SHAPE, yard.STATIONS["head-latch"])
    sd = np.append(prior_sd("rigid"), 4e-5)
    rows = np.array([row(yard.SHAPE, station) for station in others])
    doubt = np.linalg.inv(rows.T @ rows / 0.03**2 + np.diag(sd**-2))
    linear = doubt @ rows.T @ values[0] / 0.03**2
    off = (readings[names[out]] - ours @ linear) / np.sqrt(0.03**2 + ours @ doubt @ ours)
    assert off == pytest.approx(case["output"]["w"]["head-latch"], rel=1e-4)
    assert fitted.states[0] == pytest.approx(linear, abs=2e-3)


KITS = {
    name: kit for name, kit in yard.cases("joinery")["kit-table"]["input"]["kits"].items() if name in "BCDEFG"
}
NAMEABLE = [
    (PLANNED, {("D", "rigid"): {"head-latch", "sill-latch"}}),
    (
        Growth(mean=np.zeros(1), sd=np.array([1e-5])),
        {
            ("D", "rigid"): {"head-latch", "sill-latch", "diag-fall", "diag-rise"},
            ("D", "head_drops"): {"diag-fall"},
            ("G", "rigid"): {"diag-fall", "diag-rise"},
        },
    ),
]


@pytest.mark.parametrize(("believed", "nameable"), NAMEABLE, ids=["2 % away", "hung moisture"])
def test_every_gauge_of_every_kit_is_named_rightly_or_not_at_all(
    believed: Growth, nameable: dict[tuple[str, str], set[str]]
) -> None:
    """Offsets of 1.05, 1.3 and 2 times the least that could be named, one gauge at a time."""
    named: dict[tuple[str, str], set[str]] = {}
    for kit, opening in product(KITS, ("rigid", "head_drops", "leans")):
        stations = {name: yard.STATIONS[name] for name in KITS[kit]}
        still = dict.fromkeys(stations, 0.0)
        sound = suspicion(yard.SHAPE, stations, still, opening=opening, growth=believed)
        assert sound.suspects == ()
        for name, times in product(stations, (1.05, 1.3, 2.0)):
            off = still | {name: times * sound.smallest_mm[name]}
            found = suspicion(yard.SHAPE, stations, off, opening=opening, growth=believed).named
            assert found in (None, name)
            if found:
                named.setdefault((kit, opening), set()).add(found)
    assert named == nameable


def test_gauge_without_a_reading_is_left_out() -> None:
    case = CASES[0]
    stations = {name: yard.STATIONS[name] for name in case["input"]["kit"]}
    some = change(case) | {"sill-latch": float("nan")}
    del some["diag-rise"]
    found = suspicion(yard.SHAPE, stations, some, opening="rigid", growth=PLANNED)
    assert set(found.off_sd) == set(stations) - {"sill-latch", "diag-rise"}


def test_large_turn_is_no_fault() -> None:
    """A sound kit on a leaf turned by 4 mrad: what a straight line leaves of the map is no gauge's."""
    state = np.zeros((1, len(STATES)))
    state[0, STATES.index("phi")], state[0, STATES.index("gam")] = 4e-3, 3e-3
    names = CASES[0]["input"]["kit"]
    stations = {name: replace(yard.STATIONS[name], sd_mm=0.002) for name in names}
    hung = np.zeros((1, len(STATES)))
    readings = {
        n: float((read(yard.SHAPE, s, state) - read(yard.SHAPE, s, hung))[0]) for n, s in stations.items()
    }
    found = suspicion(yard.SHAPE, stations, readings, opening="leans", growth=PLANNED)
    assert found.suspects == ()


def test_refuses_one_gauge_alone() -> None:
    stations = {"head-latch": yard.STATIONS["head-latch"]}
    with refuses(OutOfRangeError, asked="disagreement", needed="two gauges", came="1"):
        suspicion(yard.SHAPE, stations, {"head-latch": 0.3}, opening="rigid", growth=PLANNED)

"""Readings drawn from what is believed: errors are as large as is said, and a lean is nobody's rack."""

import numpy as np
import pytest
from numpy.typing import NDArray

from server.joinery import leaf
from server.joinery.leaf import DERIVED, STATES, Growth, Station
from tests.joinery import yard

FloatArray = NDArray[np.float64]
KITS = yard.cases("joinery")["kit-table"]["input"]["kits"]
DRAWS = 4000
DAMP_PCT = 2.4


def readings(stations: list[Station], states: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Changes of each gauge since the line for movements (days, 8), with errors of the stated sd."""
    none = np.zeros_like(states)
    exact = [leaf.read(yard.SHAPE, one, states) - leaf.read(yard.SHAPE, one, none) for one in stations]
    noise = rng.normal(size=(len(states), len(stations))) * [one.sd_mm for one in stations]
    return np.asarray(np.column_stack(exact) + noise)


@pytest.mark.parametrize(
    ("kit", "opening"),
    [("B", "head_drops"), ("D", "leans"), ("A", "rigid"), ("F", "head_drops"), ("G", "leans")],
)
def test_errors_are_as_large_as_is_said(kit: str, opening: str) -> None:
    """Source: joinery, section 16: 4000 draws from the prior, growth at 2.4 % moisture; 0.97 to 1.03."""
    rng = np.random.default_rng(20260301)
    growth = leaf.growth_prior(np.full(DRAWS, DAMP_PCT))
    sd = np.append(leaf.prior_sd(opening), growth.sd[0])
    states = rng.normal(size=(DRAWS, len(STATES))) * sd
    states[:, -1] += growth.mean
    stations = [yard.STATIONS[name] for name in KITS[kit]]
    found = leaf.moved(yard.SHAPE, stations, readings(stations, states, rng), opening=opening, growth=growth)
    of_states = np.sqrt(((found.states - states) ** 2).mean(axis=0)) / found.state_sd[0]
    derived = states @ leaf.derived_rows(yard.SHAPE).T
    of_derived = np.sqrt(((found.derived_mm - derived) ** 2).mean(axis=0)) / found.derived_sd_mm[0]
    assert [one for one in [*of_states, *of_derived] if not 0.97 <= one <= 1.03] == []


CASES = 200


def test_a_frame_that_leans_is_no_sag_and_no_rack() -> None:
    """200 kits drawn at random in an opening that leans; the leaf itself does not move.

    What is told is within its own doubt of nothing; where the lean can't be parted nothing is told.
    Source: joinery, section 8, rules 1, 2, 5 and 6.
    """
    rng = np.random.default_rng(8)
    every = yard.STATIONS | yard.TILTS
    growth = Growth(mean=np.zeros(1), sd=np.array([leaf.LEAST_GROWTH_SD]))
    told, not_told, leans_rad = dict.fromkeys(DERIVED, 0), dict.fromkeys(DERIVED, 0), []
    for _ in range(CASES):
        names = rng.choice(list(every), size=int(rng.integers(1, 9)), replace=False)
        stations = [every[str(name)] for name in names]
        states = np.zeros((1, len(STATES)))
        lean, level = rng.normal(0, 1e-3), rng.uniform()
        states[0, STATES.index("phif")], states[0, STATES.index("gamf")] = lean, -level * lean
        found = leaf.moved(
            yard.SHAPE, stations, readings(stations, states, rng), opening="leans", growth=growth
        )
        leans_rad.append(lean)
        kinds = [one.kind for one in stations]
        for place, name in enumerate(DERIVED):
            value, sd_mm = found.value_mm(name)[0], found.derived_sd_mm[0, place]
            if np.isnan(value):
                not_told[name] += 1
                continue
            told[name] += 1
            assert sd_mm <= leaf.TREND_ONLY_SD_MM
            assert abs(value) < 4.5 * sd_mm, (name, names, lean)
            assert set(kinds) != {"tilt"}
            # By edge gaps, any number of them, a lean is never parted from a rack.
            assert name == "sag" or "diag" in kinds, (name, names)
    assert np.abs(leans_rad).max() > 2e-3
    assert min(told.values()) > 5
    assert min(not_told.values()) > 40


@pytest.mark.parametrize("kit", ["A", "B", "C", "F"])
def test_the_same_lean_believed_rigid_would_be_told_as_rack(kit: str) -> None:
    """A negative control: entered as rigid, a lean of 0.8 mrad is read as 0.2 mm of rack and more."""
    stations = [yard.STATIONS[name] for name in KITS[kit]]
    states = np.zeros((1, len(STATES)))
    states[0, STATES.index("phif")], states[0, STATES.index("gamf")] = 8e-4, -8e-4
    change = readings(stations, states, np.random.default_rng(1))
    growth = Growth(mean=np.zeros(1), sd=np.array([leaf.LEAST_GROWTH_SD]))
    rigid = leaf.moved(yard.SHAPE, stations, change, opening="rigid", growth=growth)
    leans = leaf.moved(yard.SHAPE, stations, change, opening="leans", growth=growth)
    assert abs(rigid.value_mm("rack")[0]) > 0.2
    assert np.isnan(leans.value_mm("rack")[0])

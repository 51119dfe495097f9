"""The leaf in its opening. Source of the numbers: tests/published/joinery.json, worked by a second code."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.joinery import leaf
from server.joinery.leaf import DERIVED, STATES, Growth, Shape, Station
from tests.joinery import yard

FILE: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "published" / "joinery.json").read_text("utf-8")
)
CASES: dict[str, dict[str, Any]] = {case["id"]: case for case in FILE["cases"]}
SHAPE = Shape(
    width_mm=1050,
    height_mm=2150,
    stile_mm=120,
    gap_hinge_mm=2,
    gap_head_mm=3,
    gap_latch_mm=3,
    gap_sill_mm=8,
    reference_mm=1075,
)
COORDINATES = {
    "diag": ("X1", "Y1", "X2", "Y2"),
    "head": ("X",),
    "sill": ("X",),
    "latch": ("Y",),
    "hinge": ("Y",),
}
STATIONS = {
    gauge["id"]: Station(kind=gauge["kind"], at_mm=tuple(gauge[key] for key in COORDINATES[gauge["kind"]]))
    for gauge in FILE["sensors"]
    if gauge["kind"] in COORDINATES
}
KITS = CASES["kit-table"]["input"]["kits"]
PLANNED = Growth(mean=np.zeros(1), sd=np.array([4e-5]))

WITHOUT_TILT = [name for name in CASES if name.startswith("invert-") and not name.startswith("invert-T")]
STATES_GIVEN = [name for name, case in CASES.items() if name.startswith("leaf-") and "state" in case["input"]]


def kit(*names: str) -> list[Station]:
    return [STATIONS[name] for name in names]


def state_of(given: dict[str, float]) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.array([[given[name] for name in STATES]])


@pytest.mark.parametrize("name", list(STATIONS))
def test_row_of_the_observation_matrix(name: str) -> None:
    wanted = CASES["leaf-matrix"]["output"][name]
    assert leaf.row(SHAPE, STATIONS[name]) == pytest.approx(wanted, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("case", STATES_GIVEN)
def test_exact_and_linear_readings(case: str) -> None:
    states = state_of(CASES[case]["input"]["state"])
    for name, wanted in CASES[case]["output"]["readings"].items():
        if name not in STATIONS:
            continue
        exact = leaf.read(SHAPE, STATIONS[name], states)[0]
        hung = leaf.read(SHAPE, STATIONS[name], np.zeros((1, 8)))[0]
        assert exact == pytest.approx(wanted["exact"], rel=1e-7, abs=1e-9)
        assert hung + leaf.row(SHAPE, STATIONS[name]) @ states[0] == pytest.approx(wanted["linear"], rel=1e-7)


@pytest.mark.parametrize("case", STATES_GIVEN)
def test_sag_rack_and_droop_of_a_state(case: str) -> None:
    out = CASES[case]["output"]
    sums = leaf.derived_rows(SHAPE) @ state_of(CASES[case]["input"]["state"])[0]
    assert sums == pytest.approx([out["sag_mm"], out["rack_mm"], out["droop_mm"]], rel=1e-7, abs=1e-9)


def inverted(case: str) -> leaf.Movement:
    given = CASES[case]["input"]
    stations = kit(*given["kit"])
    growth = PLANNED
    if "lam_prior" in given:
        growth = leaf.growth_prior(
            [given["lam_prior"]["d_mc_pct"]], per_pct=given["lam_prior"]["C_l_per_pct"]
        )
    hung = np.array([leaf.read(SHAPE, station, np.zeros((1, 8)))[0] for station in stations])
    change = np.array([[given["readings"][name] for name in given["kit"]]]) - hung
    return leaf.moved(SHAPE, stations, change, opening=given["prior"], growth=growth)


@pytest.mark.parametrize("case", WITHOUT_TILT)
def test_states_told_by_readings(case: str) -> None:
    found, wanted = inverted(case), CASES[case]["output"]
    sd = np.append(leaf.prior_sd(CASES[case]["input"]["prior"]), 4e-5)
    for place, state in enumerate(STATES):
        # The file prints 12 digits; in units of the prior both codes agree to some 1e-7.
        assert found.states[0, place] == pytest.approx(wanted["pass2"][state], rel=1e-6, abs=1e-7 * sd[place])
        assert found.state_sd[0, place] == pytest.approx(wanted["sd"][state], rel=1e-6)


@pytest.mark.parametrize(("name", "opening"), [(k, o) for k in KITS if k != "T" for o in leaf.FRAME_PRIOR])
def test_table_of_kits(name: str, opening: str) -> None:
    wanted = CASES["kit-table"]["output"][f"{name}/{opening}"]
    stations = kit(*KITS[name])
    found = leaf.moved(SHAPE, stations, np.zeros((1, len(stations))), opening=opening, growth=PLANNED)
    sag, rack, droop = found.derived_sd_mm[0]
    assert (sag, rack, droop) == pytest.approx(
        (wanted["sag_sd_mm"], wanted["rack_sd_mm"], wanted["droop_sd_mm"]), rel=1e-6
    )
    states = {"sag": {"phi"}, "rack": {"gam"}, "droop": {"v", "phi", "gam"}}
    for place, derived in enumerate(DERIVED):
        assert bool(found.observed[0, place]) is not bool(states[derived] & set(wanted["not_observed"]))


# Printed table of the kits on the demo door, 3 decimals: rack, sag, droop.
PRINTED = [
    ("A", "rigid", 0.066, 0.023, 0.072, ("usable", "usable", "usable")),
    ("A", "head_drops", 0.611, 0.023, 0.653, ("not_told", "usable", "not_told")),
    ("B", "head_drops", 0.102, 0.023, 0.071, ("trend_only", "usable", "usable")),
    ("B", "leans", 0.511, 0.023, 0.545, ("not_told", "usable", "not_told")),
    ("D", "leans", 0.023, 0.023, 0.054, ("usable", "usable", "usable")),
    ("E", "leans", 0.023, 0.023, 0.081, ("usable", "usable", "trend_only")),
    ("F", "head_drops", 0.066, 0.023, 0.072, ("usable", "usable", "usable")),
]


@pytest.mark.parametrize(("name", "opening", "rack", "sag", "droop", "words"), PRINTED)
def test_what_a_kit_may_say(
    name: str, opening: str, rack: float, sag: float, droop: float, words: tuple[str, ...]
) -> None:
    stations = kit(*KITS[name])
    found = leaf.moved(SHAPE, stations, np.zeros((1, len(stations))), opening=opening, growth=PLANNED)
    assert np.round(found.derived_sd_mm[0], 3).tolist() == [sag, rack, droop]
    assert tuple(found.told(one)[0] for one in ("rack", "sag", "droop")) == words
    assert [np.isnan(found.value_mm(one)[0]) for one in ("rack", "sag", "droop")] == [
        word == "not_told" for word in words
    ]


def test_a_missing_gauge_is_left_out_for_that_day_alone() -> None:
    names = KITS["B"]
    change = np.array([[0.3, 0.9, 0.2, -0.4, -1.1]] * 3)
    change[1, 4] = np.nan
    growth = Growth(mean=np.zeros(3), sd=np.full(3, 4e-5))
    found = leaf.moved(SHAPE, kit(*names), change, opening="rigid", growth=growth)
    alone = leaf.moved(SHAPE, kit(*names[:4]), change[1:2, :4], opening="rigid", growth=PLANNED)
    assert found.states[1] == pytest.approx(alone.states[0], rel=1e-9, abs=1e-15)
    assert found.derived_sd_mm[1] == pytest.approx(alone.derived_sd_mm[0], rel=1e-9)
    assert found.states[0] == pytest.approx(found.states[2], rel=1e-12)


def test_a_day_without_readings_is_not_told() -> None:
    found = leaf.moved(SHAPE, kit(*KITS["D"]), np.full((1, 7), np.nan), opening="leans", growth=PLANNED)
    assert np.isnan(found.derived_mm).all()
    assert found.told("droop") == ["not_told"]


def test_drift_of_a_state_is_the_gauges_own_through_the_gain() -> None:
    stations = kit("hinge-bottom", "hinge-top")
    found = leaf.moved(SHAPE, stations, np.zeros((1, 2)), opening="rigid", growth=PLANNED)
    # A pair 1950 mm apart, far finer than the prior: sag = 1050/1950 of their difference, by hand.
    assert found.drift_mm_per_year[0, 0] == pytest.approx(np.sqrt(2) * 0.003 * 1050 / 1950, rel=1e-3)


@pytest.mark.parametrize(
    ("change", "doubt", "mean", "sd"),
    [
        (2.4, 0.0, 1.2e-4, 4.8e-5),
        (0.1, 0.0, 5e-6, 1e-5),
        (None, 0.0, 0.0, 1.2e-4),
        (0.0, 2.0, 0.0, 1e-4),
        (-1.2, 2.0, -6e-5, 1.02840e-4),
    ],
)
def test_growth_expected_of_moisture(change: float | None, doubt: float, mean: float, sd: float) -> None:
    growth = leaf.growth_prior(None if change is None else [change], start_doubt_pct=doubt)
    assert (growth.mean[0], growth.sd[0]) == pytest.approx((mean, sd), rel=1e-4)


def test_turn_of_a_joint() -> None:
    given, out = CASES["psi-pair"]["input"], CASES["psi-pair"]["output"]
    turn = leaf.turn_mrad(
        given["top_mm"], given["bottom_mm"], spacing_mm=given["spacing_mm"], end=given["end"]
    )
    opening = leaf.mean_opening_mm(given["top_mm"], given["bottom_mm"])
    assert turn == pytest.approx([out["psi0_mrad"], out["psi1_mrad"]], rel=1e-6)
    assert opening[1] - opening[0] == pytest.approx(out["common_mm"], rel=1e-6)
    assert leaf.turn_mrad(0.0, 0.17, spacing_mm=170.0, end="latch") == pytest.approx(1.0)


def test_refusals() -> None:
    with pytest.raises(OutOfRangeError, match="kind of opening: needs rigid, head_drops, leans, got 'tent'"):
        leaf.prior_sd("tent")
    with pytest.raises(
        OutOfRangeError, match="gauge of the leaf: needs head, sill, latch, hinge, diag, tilt"
    ):
        leaf.row(SHAPE, Station(kind="plumb", at_mm=(1.0,)))
    with pytest.raises(OutOfRangeError, match="a tilt on: needs stile, rail, jamb, head, got 'sill'"):
        leaf.row(SHAPE, Station(kind="tilt", on="sill"))
    with pytest.raises(OutOfRangeError, match="turn of a joint: needs hinge or latch"):
        leaf.turn_mrad(0.0, 0.0, spacing_mm=170, end="side")
    with pytest.raises(OutOfRangeError, match="readings of the leaf: needs 2 columns"):
        leaf.moved(SHAPE, kit("head-hinge", "head-latch"), np.zeros((3, 1)), opening="rigid", growth=PLANNED)


@pytest.mark.parametrize("name", list(yard.TILTS))
def test_tilts_by_row_and_by_reading(name: str) -> None:
    station = yard.TILTS[name]
    assert leaf.row(SHAPE, station) == pytest.approx(CASES["leaf-matrix"]["output"][name])
    for case in STATES_GIVEN:
        states = state_of(CASES[case]["input"]["state"])
        wanted = CASES[case]["output"]["readings"][name]["exact"]
        assert leaf.read(SHAPE, station, states)[0] == pytest.approx(wanted, abs=1e-12)


@pytest.mark.parametrize("case", ["invert-T-lean-bias", "invert-T-rack-blind"])
def test_tilt_alone_is_biased_and_tells_nothing(case: str) -> None:
    """A frame that leans 0.8 mrad comes out as sag, a rack as nothing: so it is never given."""
    given, out = CASES[case]["input"], CASES[case]["output"]
    stations = [yard.TILTS[name] for name in given["kit"]]
    change = np.array([[given["readings"][name] for name in given["kit"]]])
    found = leaf.moved(SHAPE, stations, change, opening=given["prior"], growth=PLANNED)
    for place, state in enumerate(STATES):
        assert found.states[0, place] == pytest.approx(out["pass2"][state], rel=1e-6, abs=1e-12)
        assert found.state_sd[0, place] == pytest.approx(out["sd"][state], rel=1e-6)
    for name in DERIVED:
        assert found.told(name) == ["not_told"]
        assert np.isnan(found.value_mm(name)).all()
    finer = [Station(kind="tilt", on="stile", sd_mm=1e-6)]
    sure = leaf.moved(SHAPE, finer, change, opening="rigid", growth=PLANNED)
    assert sure.derived_sd_mm[0, 0] < leaf.USABLE_SD_MM
    assert sure.told("sag") == ["not_told"]


@pytest.mark.parametrize("opening", list(leaf.FRAME_PRIOR))
def test_tilt_beside_gaps_helps_a_little(opening: str) -> None:
    """Source: joinery, section 8, rule 5: on the jamb it brings the rack to 0.35 mm where the frame leans."""
    stations = [*kit(*KITS["B"]), yard.TILTS["tilt-jamb"]]
    found = leaf.moved(SHAPE, stations, np.zeros((1, 6)), opening=opening, growth=PLANNED)
    assert found.observed[0, 0]
    if opening == "leans":
        assert found.derived_sd_mm[0, 1] == pytest.approx(0.35, abs=0.005)

"""The truth file and the events beside it."""

import csv
import json
from pathlib import Path

import pytest

from sensors.sources.simulated.door import SimulatedDoor
from sensors.sources.simulated.faults import Fault
from sensors.sources.simulated.leaf import Movement
from sensors.sources.simulated.movement import DoorState
from sensors.sources.simulated.truth import truth_row

START_MS = 1_672_531_200_000 + 7 * 3_600_000  # 07:00, so that the first row is the next midnight
DAY_MS = 86_400_000
STEP = Fault(kind="step", channel="latch-top", from_day=2.0, size=(0.1,))
STUCK = Fault(kind="stuck", channel="shut", from_day=3.0, days=2.0)

STATE = DoorState(
    moisture_pct=11.5,
    move=Movement(u_mm=0.1, v_mm=-0.2, phi_rad=1e-4, gamma_rad=3e-4),
    turns_mrad=(0.1, 0.2, 0.3, 0.4),
    opened_mrad=(0.05, 0.0, 0.0, 0.0),
    permanent_rack_mm=0.15,
    ratchet_mm=0.02,
)


def test_row_holds_what_is_true_in_mm_and_mrad() -> None:
    assert truth_row(5, STATE) == {
        "ms": 5,
        "mc": 11.5,
        "gamma_mrad": pytest.approx(0.3),
        "phi_mrad": pytest.approx(0.1),
        "u_mm": 0.1,
        "v_mm": -0.2,
        "sag_mm": pytest.approx(0.105),
        "rack_mm": pytest.approx(0.243),
        "droop_mm": pytest.approx(0.548),
        "permanent_rack_mm": 0.15,
        "ratchet_mm": 0.02,
        "droop_stays_mm": pytest.approx(0.15 + 0.02 + 0.105 + 0.2),
        "psi_lock-hinge_mrad": 0.1,
        "psi_lock-latch_mrad": 0.2,
        "psi_top-hinge_mrad": 0.3,
        "psi_top-latch_mrad": 0.4,
        "open_lock-hinge_mrad": 0.05,
        "open_lock-latch_mrad": 0.0,
        "open_top-hinge_mrad": 0.0,
        "open_top-latch_mrad": 0.0,
    }


def written(folder: Path) -> SimulatedDoor:
    door = SimulatedDoor(door="north", seed=1, start_ms=START_MS, years=10 / 365.25, faults=(STEP, STUCK))
    door.write_truth(folder / "truth", "north")
    return door


def test_file_reads_back_to_the_same_rows_one_a_midnight(tmp_path: Path) -> None:
    door = written(tmp_path)
    with (tmp_path / "truth" / "north.csv").open(encoding="utf-8", newline="") as file:
        rows = [{name: float(text) for name, text in row.items()} for row in csv.DictReader(file)]
    assert rows == list(door.truth_rows())
    first_midnight = START_MS + 17 * 3_600_000
    assert [row["ms"] for row in rows] == [first_midnight + k * DAY_MS for k in range(10)]


def test_events_say_first_and_last_ms_figures_and_seed(tmp_path: Path) -> None:
    written(tmp_path)
    events = json.loads((tmp_path / "truth" / "north.events.json").read_text("utf-8"))
    assert events["faults"] == [
        {
            "kind": "step",
            "channel": "latch-top",
            "first_ms": START_MS + 2 * DAY_MS,
            "last_ms": None,
            "size": [0.1],
        },
        {
            "kind": "stuck",
            "channel": "shut",
            "first_ms": START_MS + 3 * DAY_MS,
            "last_ms": START_MS + 5 * DAY_MS,
            "size": [],
        },
    ]
    assert (events["seed"], events["door"], events["start_ms"]) == (1, "north", START_MS)
    assert events["version"]
    assert events["parameters"]["anchor_mm"] == 45.0
    assert events["parameters"]["openings"][0]["joint"] == "lock-hinge"

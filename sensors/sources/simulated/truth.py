"""The truth of a simulated door, day by day, for tests to score against. It never goes on the wire."""

import csv
import json
from collections.abc import Iterable, Mapping, Sequence
from importlib.metadata import version
from pathlib import Path

from sensors.sources.simulated.doors import JOINTS
from sensors.sources.simulated.faults import Fault
from sensors.sources.simulated.movement import DoorState
from sensors.sources.simulated.spoiling import span_ms

TruthRow = dict[str, int | float]


def truth_row(ms: int, state: DoorState, used: tuple[int, float] | None = None) -> TruthRow:
    """One day's row, at 00:00 UTC: moisture %, angles mrad, lengths mm, joints' turns and openings mrad.

    `used`: openings of the leaf so far, and the hardest closing of the day that ends, m/s2.
    """
    row: TruthRow = {
        "ms": ms,
        "mc": state.moisture_pct,
        "gamma_mrad": state.move.gamma_rad * 1000.0,
        "phi_mrad": state.move.phi_rad * 1000.0,
        "u_mm": state.move.u_mm,
        "v_mm": state.move.v_mm,
        "sag_mm": state.sag_mm,
        "rack_mm": state.rack_mm,
        "droop_mm": state.droop_mm,
        "permanent_rack_mm": state.permanent_rack_mm,
        "ratchet_mm": state.ratchet_mm,
        "droop_stays_mm": state.permanent_rack_mm + state.ratchet_mm + state.sag_mm - state.move.v_mm,
    }
    row |= {f"psi_{joint}_mrad": turn for joint, turn in zip(JOINTS, state.turns_mrad, strict=True)}
    row |= {f"open_{joint}_mrad": turn for joint, turn in zip(JOINTS, state.opened_mrad, strict=True)}
    if used is not None:
        row |= {"openings": used[0], "slam_m_s2": used[1]}
    return row


def write_rows(path: Path, rows: Iterable[TruthRow]) -> None:
    """The rows as CSV, numbers as Python prints them, so that they read back to the same doubles."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer: csv.DictWriter[str] | None = None
        for row in rows:
            if writer is None:
                writer = csv.DictWriter(file, list(row), lineterminator="\n")
                writer.writeheader()
            writer.writerow(row)


def write_events(
    path: Path,
    *,
    faults: Sequence[Fault],
    start_ms: int,
    run: Mapping[str, object],
    figures: Mapping[str, object],
) -> None:
    """What was done to the door and its node: each fault with first and last ms, the run, its figures."""
    events = [_event(fault, start_ms) for fault in faults]
    content = {"version": version("hangtrue"), **run, "parameters": dict(figures), "faults": events}
    path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")


def _event(fault: Fault, start_ms: int) -> dict[str, object]:
    first, last = span_ms(fault, start_ms)
    return {
        "kind": fault.kind,
        "channel": fault.channel,
        "first_ms": first,
        "last_ms": last,
        "size": list(fault.size),
    }

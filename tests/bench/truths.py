"""The truth of a simulated door: what of each series has stayed, day by day, as its truth file has it."""

import csv
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """A truth file: its daily columns from the first 00:00 after hanging on, and its parameters."""

    columns: Mapping[str, FloatArray]
    parameters: Mapping[str, object]

    def stays(self, key: str) -> FloatArray:
        """What of a series has stayed since hanging, on each day; the season taken out by its own figures."""
        kind, _, joint = key.partition(":")
        of = self.columns
        if kind == "droop":
            return of["droop_stays_mm"]
        if kind == "sag":
            return of["sag_mm"]
        if kind == "rack":
            return of["permanent_rack_mm"] + of["ratchet_mm"]
        if kind == "opening":  # a joint that opens turns about the middle of its shoulder
            return np.zeros_like(of["mc"])
        turns = dict(zip(self.parameters["joints"], self.parameters["turn_mrad"], strict=True))  # type: ignore[call-overload]  # lists of the file
        swings = float(turns[joint]) * float(str(self.parameters["rack_per_pct"]))
        return np.asarray(of[f"psi_{joint}_mrad"] - swings * of["mc"])


def read_truth(folder: Path, door: str) -> Truth:
    """The truth that the simulator wrote of a node into a folder."""
    with (folder / f"{door}.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    columns = {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}
    events = json.loads((folder / f"{door}.events.json").read_text("utf-8"))
    return Truth(columns=columns, parameters=events["parameters"])

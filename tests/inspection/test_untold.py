"""Every set of a door's gauges in every opening: where it is not told, no number stands anywhere."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from server.doors.kits import kit_of
from server.inspection.line import drawn_line
from server.inspection.moisture import moisture_of
from server.inspection.series import made_series
from server.inspection.spans import trended_gauges
from server.inspection.telling import tellings
from server.inspection.values import DoorInputs
from server.joinery.leaf import DERIVED, POSITION_KINDS
from tests.inspection.doors import Truth, hung, made_inputs

WHOLE = made_inputs(Truth(years=45 / 365.25, droop_mm_per_year=2.0))
BUILT = hung().built
GAUGES = [one for one in BUILT.gauges if one.kind in POSITION_KINDS]
KITS = [kit for count in range(len(GAUGES) + 1) for kit in combinations(GAUGES, count)]


@pytest.mark.parametrize("opening", ["rigid", "head_drops", "leans"])
def test_no_number_where_it_is_not_told(opening: str) -> None:
    """128 kits an opening. The rule's own reckoning is the planner's, another code: joinery.kit.judge."""
    told = 0
    for kit in KITS:
        built = replace(BUILT, gauges=kit, opening=replace(BUILT.opening, kind=opening))
        inputs = _with(kit, replace(WHOLE, door=hung(built=built)))
        gauges = trended_gauges(built)
        if not gauges:
            continue
        line = drawn_line(inputs, gauges)
        moisture = moisture_of(inputs, line)
        made = {one.key: one for one in made_series(inputs, line, moisture)}
        verdicts = {one.name: one for one in tellings(inputs, line, moisture)}
        # Days so near the line: the planner is asked for no change of moisture.
        planned = kit_of(built, opening=opening, moisture_change_pct=0.2).kit.told
        names = [one.channel for one in kit]
        for name in DERIVED:
            is_told = verdicts[name].verdict != "not_told"
            # On a border a kit may tell most days and not the last one: that one has no number then.
            has_number = name in made and bool(np.isfinite(made[name].value[-1]))
            assert is_told or not has_number, (name, names)
            assert bool(verdicts[name].reason) is (verdicts[name].verdict != "usable"), (name, names)
            if planned[name] == "not_told":
                assert name not in made, (name, names)
            if has_number:
                assert made[name].sd_day <= 0.12
            told += has_number
    assert 0 < told < len(DERIVED) * len(KITS)


def _with(kit: tuple[object, ...], inputs: DoorInputs) -> DoorInputs:
    names = {getattr(one, "channel", "") for one in kit}
    return replace(inputs, gauges={name: one for name, one in inputs.gauges.items() if name in names})

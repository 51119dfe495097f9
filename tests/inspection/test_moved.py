"""A leaf's movement version by version: by that version's own gauges, opening and zero."""

from dataclasses import replace

import numpy as np
import pytest

from server.inspection.line import drawn_line
from server.inspection.moisture import moisture_of
from server.inspection.moved import Moved, moved_in
from server.inspection.spans import spans_of, trended_gauges
from server.inspection.values import DoorInputs
from server.joinery import leaf
from tests.inspection.changed import changed, jumped
from tests.inspection.doors import Truth, hung, made_inputs, one_joint

TRUTH = Truth(years=0.5)
RACK = leaf.DERIVED.index("rack")


def parts_of(inputs: DoorInputs) -> tuple[Moved, ...]:
    line = drawn_line(inputs, trended_gauges(inputs.door.built))
    return moved_in(inputs, spans_of(inputs), line.each, moisture_of(inputs, line))


def test_a_version_is_read_with_its_own_gauges_and_opening() -> None:
    """Before the change no gauge can tell the rack; two diagonals are put on, in an opening that leans."""
    built = hung().built
    edges = tuple(one for one in built.gauges if one.kind != "diag")
    leans = replace(built.opening, kind="leans")
    before = replace(built, gauges=edges, opening=leans)
    door = changed(
        hung(built=before),
        80,
        "repaired",
        built=replace(built, opening=leans, hung=hung().hung),
        moved=("diag-fall", "diag-rise"),
    )
    inputs = made_inputs(TRUTH, door)
    first, last = parts_of(inputs)
    assert len(last.gauges) == len(first.gauges) + 2
    # Source: the published table of kits, B and D in an opening that leans; at the hung moisture or near it.
    assert set(first.movement.told("rack")) == {"not_told"}
    assert set(last.movement.told("rack")) == {"usable"}
    assert np.flatnonzero(last.mine)[0] == 81
    assert last.change_mm.shape == (int(last.mine.sum()), len(last.gauges))


def test_a_shoulder_gauge_moved_leaves_the_leaf_as_it_was() -> None:
    door = changed(hung(), 80, "gauge-moved", moved=("lock-hinge-top",))
    (only,) = parts_of(made_inputs(TRUTH, door))
    assert only.mine.sum() == made_inputs(TRUTH).day.size - 1
    moved = changed(hung(), 80, "gauge-moved", moved=("latch-top",))
    assert len(parts_of(made_inputs(TRUTH, moved))) == 2


def test_each_version_counts_from_its_own_line() -> None:
    door = changed(hung(), 80, "rehung")
    inputs = jumped(made_inputs(TRUTH, door), 80, {"head-latch": 0.9, "head-hinge": 0.9}, because="rehung")
    _, last = parts_of(inputs)
    window = slice(13, 27)
    assert np.median(last.movement.derived_mm[window, RACK]) == pytest.approx(0.0, abs=0.01)


def test_a_door_without_gauges_of_its_leaf_has_none() -> None:
    inputs = made_inputs(TRUTH, one_joint())
    assert parts_of(inputs) == ()
    assert moved_in(replace(inputs, day=inputs.day[:0]), (), (), None) == ()


def test_a_restless_gauge_counts_for_less() -> None:
    """Source: joinery, section 13: its spread on the line's days is its sd where that is larger."""
    inputs = made_inputs(TRUTH)
    days = inputs.gauges["diag-fall"]
    rough = days.median + 0.2 * np.where(inputs.day % 2 == 0, 1.0, -1.0)
    (calm,) = parts_of(inputs)
    (restless,) = parts_of(
        replace(inputs, gauges={**inputs.gauges, "diag-fall": replace(days, median=rough)})
    )
    assert calm.stations["diag-fall"].sd_mm == 0.03
    assert restless.stations["diag-fall"].sd_mm > 0.2
    assert restless.movement.derived_sd_mm[-1, RACK] > 1.5 * calm.movement.derived_sd_mm[-1, RACK]

"""Which steps are declared of a series: its own, and of those the ones that are its gauge's alone."""

from dataclasses import replace

import pytest

from server.doors.marks import Mark
from server.inspection.declared import declared_steps
from server.inspection.values import DoorInputs
from tests.inspection.changed import changed
from tests.inspection.doors import HUNG_DAY, Truth, hung, made_inputs

GAUGES = ("lock-hinge-top", "lock-hinge-bottom")
DAY_MS = 86_400_000


def marked(*marks: tuple[int, str, str]) -> DoorInputs:
    made = tuple(
        Mark(t_ms=(HUNG_DAY + day) * DAY_MS, kind=kind, text=text, by="test") for day, kind, text in marks
    )
    return replace(made_inputs(Truth(years=0.2)), marks=made)


@pytest.mark.parametrize(
    ("mark", "steps", "of_gauge"),
    [
        ((50, "eased", ""), (50,), ()),
        ((50, "hinge packed", "lock-latch-top was in the way"), (50,), ()),
        ((50, "note", ""), (), ()),
        ((0, "eased", ""), (), ()),
        ((50, "gauge changed", ""), (50,), (50,)),
        ((50, "gauge-moved", "lock-hinge-top set anew"), (50,), (50,)),
        ((50, "gauge-moved", "latch-top set anew"), (), ()),
    ],
)
def test_a_mark_is_of_the_series_that_it_touches(
    mark: tuple[int, str, str], steps: tuple[int, ...], of_gauge: tuple[int, ...]
) -> None:
    assert declared_steps(marked(mark), GAUGES, ()) == (steps, of_gauge)


def test_a_version_of_gauges_alone_is_a_step_where_the_series_was_begun_anew() -> None:
    door = changed(hung(), 50, "gauge-moved", moved=("lock-hinge-top",))
    inputs = replace(marked((50, "gauge-moved", "Set anew: lock-hinge-top.")), door=door)
    assert declared_steps(inputs, GAUGES, (50,)) == ((50,), (50,))
    assert declared_steps(inputs, GAUGES, ()) == ((), ())


def test_a_leaf_rehung_is_a_step_of_every_series_and_of_its_gauge_where_begun_anew() -> None:
    inputs = replace(marked((50, "rehung", "")), door=changed(hung(), 50, "rehung"))
    assert declared_steps(inputs, GAUGES, ()) == ((50,), ())
    assert declared_steps(inputs, GAUGES, (50,)) == ((50,), (50,))

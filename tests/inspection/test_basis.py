"""The fingerprint of what a watch rests on: it changes with its past alone."""

from dataclasses import replace

import numpy as np
import pytest

from server.inspection.basis import Basis
from server.inspection.cutting import as_of
from server.inspection.line import Line
from server.inspection.values import DoorInputs, GaugeDays
from server.trend.series import DoorFacts, for_turn
from tests.inspection.doors import HUNG_DAY, Truth, made_inputs, one_joint

INPUTS = made_inputs(Truth(years=0.5), one_joint())
LINE = Line(kind="hung", start=14, stop=28, since_heard=False, zero_mm={"lock-hinge-top": 0.2})
FACTS = for_turn(170.0)
DAY = 100


def upto(inputs: DoorInputs = INPUTS, line: Line = LINE, facts: DoorFacts = FACTS, *, day: int = DAY) -> str:
    return Basis(inputs, line).upto(day, facts, 0)


def read(place: int, value: float) -> DoorInputs:
    days = INPUTS.gauges["lock-hinge-top"]
    median = days.median.copy()
    median[place] = value
    return replace(INPUTS, gauges={**INPUTS.gauges, "lock-hinge-top": GaugeDays(median=median, n=days.n)})


def aired(place: int) -> DoorInputs:
    return replace(INPUTS, temp_c=np.where(INPUTS.day == place, np.nan, INPUTS.temp_c))


def named(name: str) -> DoorInputs:
    built = replace(INPUTS.door.built, name=name, node=name)
    return replace(INPUTS, door=replace(INPUTS.door, built=built))


def wider(mm: float) -> DoorInputs:
    built = replace(INPUTS.door.built, width_mm=INPUTS.door.built.width_mm + mm)
    return replace(INPUTS, door=replace(INPUTS.door, built=built))


def with_limit(mm: float) -> DoorInputs:
    built = INPUTS.door.built
    return replace(
        INPUTS, door=replace(INPUTS.door, built=replace(built, limits=replace(built.limits, droop_mm=mm)))
    )


NEW_GAUGE = {
    **INPUTS.gauges,
    "new": GaugeDays(
        median=np.where(INPUTS.day > DAY, 1.0, np.nan), n=np.zeros(INPUTS.day.size, dtype=np.int64)
    ),
}


@pytest.mark.parametrize(
    "same",
    [
        upto(read(DAY + 1, 9.0)),
        upto(aired(DAY + 1)),
        upto(as_of(INPUTS, HUNG_DAY + DAY + 1)),
        upto(facts=replace(FACTS, declared_steps=(DAY + 1,))),
        upto(facts=replace(FACTS, limit=0.2, drift_per_year=0.1)),
        upto(line=replace(LINE, each=(LINE, replace(LINE, start=DAY + 1, stop=DAY + 15)))),
        upto(with_limit(1.0)),
        upto(named("porch")),
        upto(replace(INPUTS, gauges=NEW_GAUGE)),
    ],
    ids=["reading", "air", "cut", "step", "limit and drift", "later line", "limits", "name", "later gauge"],
)
def test_what_comes_after_changes_nothing(same: str) -> None:
    assert same == upto()


def test_it_is_the_same_in_whatever_order_days_are_asked() -> None:
    basis = Basis(INPUTS, LINE)
    asked = {day: basis.upto(day, FACTS, 0) for day in (150, DAY, 20, 120)}
    assert asked == {day: upto(day=day) for day in asked}


@pytest.mark.parametrize(
    "other",
    [
        upto(read(DAY, 9.0)),
        upto(read(DAY, np.nan)),
        upto(aired(DAY)),
        upto(wider(1.0)),
        upto(facts=replace(FACTS, declared_steps=(DAY,))),
        upto(facts=replace(FACTS, scale=1.0)),
        upto(line=replace(LINE, zero_mm={"lock-hinge-top": 0.3})),
        upto(day=DAY - 1),
        Basis(INPUTS, LINE).upto(DAY, FACTS, 3),
    ],
    ids=["reading", "reading gone", "air", "leaf", "step", "scale", "zero", "day", "first day"],
)
def test_what_was_before_changes_it(other: str) -> None:
    assert other != upto()

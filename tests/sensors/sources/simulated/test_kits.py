"""Kits by name, by letter and gauge by gauge."""

import pytest

from sensors.sources.simulated.gauges import EVERY_GAUGES, KIT_GAUGES, SHOULDER_GAUGES
from sensors.sources.simulated.kits import KITS, kit_gauges
from tests.sensors.sources.simulated.refusals import refused

# Source: the table of kits of the joinery design, section 9, in its words
GAPS_AND_DIAGONALS = {
    "A": {"head-hinge", "head-latch", "latch-bottom", "latch-top"},
    "B": {"head-hinge", "head-latch", "latch-bottom", "latch-top", "sill-latch"},
    "C": {
        "head-hinge",
        "head-latch",
        "latch-bottom",
        "latch-top",
        "sill-latch",
        "hinge-bottom",
        "hinge-top",
    },
    "D": {
        "head-hinge",
        "head-latch",
        "latch-bottom",
        "latch-top",
        "sill-latch",
        "diag-fall",
        "diag-rise",
    },
    "E": {"head-hinge", "latch-bottom", "latch-top", "diag-fall", "diag-rise"},
    "F": {"latch-bottom", "latch-top", "sill-hinge", "sill-latch"},
    "G": {"head-hinge", "head-latch", "latch-bottom", "latch-top", "diag-fall", "diag-rise"},
}


def test_the_usual_kit_and_every_gauge() -> None:
    assert kit_gauges("usual") == KIT_GAUGES
    assert kit_gauges("every") == KIT_GAUGES + EVERY_GAUGES


@pytest.mark.parametrize("letter", GAPS_AND_DIAGONALS)
def test_a_lettered_kit_has_its_gauges_and_the_shoulder_pairs(letter: str) -> None:
    assert set(kit_gauges(letter)) == GAPS_AND_DIAGONALS[letter] | set(SHOULDER_GAUGES)
    assert set(KITS) == {"usual", "every", *GAPS_AND_DIAGONALS}


def test_named_gauges_come_in_the_order_of_the_wire() -> None:
    assert kit_gauges("hinge-top,diag-rise,latch-top") == ("latch-top", "diag-rise", "hinge-top")


def test_another_kit_a_strange_gauge_and_one_named_twice_are_refused() -> None:
    for asked in ("H", "", "latch-top,latch-mid"):
        with refused(asked="kit", needed="usual", came=asked):
            kit_gauges(asked)
    with refused(asked="kit", needed="each gauge once"):
        kit_gauges("latch-top,latch-top")

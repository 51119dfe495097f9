"""Laws of the fold on invented yards of many nights: repeated, turned round, heard late, the end is the same.

Drawn from a seed: joints that turn and rest, gauges that come into doubt, a box that falls silent.
"""

from dataclasses import replace
from typing import TypeVar

import numpy as np
import pytest

from server.alerts.rules import Limits
from server.inspection.values import Finding
from tests.alerts.book import Book, standing
from tests.alerts.cases import NightOf
from tests.alerts.test_recording import slot_of
from tests.journeys.needs import often

T = TypeVar("T")
NIGHTS, YARDS = 90, often(8, long=20)
JOINTS = ("lock-hinge", "top-hinge", "lock-latch")


def yard(seed: int) -> list[NightOf]:
    """Ninety nights; every state lasts for some nights, as states do."""
    rng = np.random.default_rng(seed)
    states = {name: runs(rng, (0.0, 0.11, 0.13, 0.16, 0.25, None)) for name in JOINTS}
    doubts = {name: runs(rng, (False, False, False, True)) for name in JOINTS}
    silent = runs(rng, (0.0, 0.0, 0.0, 30.0))
    return [
        NightOf(
            night=slot_of(k),
            findings=(
                Finding(
                    topic="heard", about="north", evidence={"overdue": silent[k] > 0, "silent_h": silent[k]}
                ),
                *(joint(name, states[name][k]) for name in JOINTS),
                *(gauge(name, suspect=doubts[name][k]) for name in JOINTS),
            ),
        )
        for k in range(NIGHTS)
    ]


def runs(rng: np.random.Generator, values: tuple[T, ...]) -> list[T]:
    drawn: list[T] = []
    while len(drawn) < NIGHTS:
        drawn += [values[int(rng.integers(len(values)))]] * int(rng.integers(1, 30))
    return drawn[:NIGHTS]


def joint(name: str, turn_mrad: float | None) -> Finding:
    low = None if turn_mrad is None else 0.8 * turn_mrad
    evidence = {"alarm": False, "turn_stays_mrad": turn_mrad, "turn_low_mrad": low, "turn_open_mrad": 0.2}
    return Finding(topic="joint", about=f"north/{name}", evidence=evidence, rests_on=(f"north/{name}-top",))


def gauge(name: str, *, suspect: bool) -> Finding:
    evidence = {"suspect": suspect, "max_w": 5.0 if suspect else 1.0}
    return Finding(topic="gauge", about=f"north/{name}-top", evidence=evidence)


def played(looks: list[NightOf]) -> Book:
    book = Book(boxes=1, limits=Limits())
    for look in looks:
        book.look(look)
    return book


@pytest.mark.parametrize("seed", range(YARDS))
def test_a_night_repeated_changes_nothing(seed: int) -> None:
    looks = yard(seed)
    twice = [look for look in looks for _ in range(2)]
    assert played(twice).events == played(looks).events


@pytest.mark.parametrize("seed", range(YARDS))
def test_order_of_findings_does_not_matter(seed: int) -> None:
    looks = yard(seed)
    turned = [replace(look, findings=look.findings[::-1]) for look in looks]
    assert played(turned).events == played(looks).events


@pytest.mark.parametrize("seed", range(YARDS))
def test_nights_heard_late_end_with_the_same_alerts(seed: int) -> None:
    looks = yard(seed)
    first = NIGHTS - 20
    unheard = [
        replace(look, findings=look.findings[:1] + tuple(lost(one) for one in look.findings[1:]))
        for look in looks[first:-1]
    ]
    late = tuple((look.night, look.findings) for look in looks[first:-1])
    heard_late = played([*looks[:first], *unheard, replace(looks[-1], late=late)])
    on_time = played(looks)
    assert heard_late.conditions == on_time.conditions
    assert standing(heard_late) == standing(on_time)


def lost(one: Finding) -> Finding:
    return replace(one, evidence={}, unjudged="not heard")


@pytest.mark.parametrize("seed", range(YARDS))
def test_nothing_ends_on_a_night_that_was_not_judged(seed: int) -> None:
    looks = yard(seed)
    blind = [replace(look, findings=tuple(lost(one) for one in look.findings)) for look in looks[60:]]
    book = played(looks[:60] + blind)
    assert not [event for event in book.events if event[0] >= slot_of(60) and event[1] in ("ended", "eased")]


def test_the_yards_have_something_to_tell() -> None:
    told = {event[1] for seed in range(YARDS) for event in played(yard(seed)).events}
    assert told == {"raised", "rose", "eased", "ended", "back", "frozen", "thawed", "carries"}

"""Feeler checks: the gap and its doubt, what is kept, what is refused.

Source of the doubts: sensors, section 9.5: leaves 0.05 mm apart 0.014 mm, 0.01 mm apart 0.003 mm, as printed.
"""

from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from server.doors.checks import FeelerCheck, add_check, checks_of, felt_gauges
from server.doors.register import DoorHung
from server.errors import HangtrueError, OutOfRangeError, SettingsError
from tests.fakes.clock import HandClock
from tests.inspection.doors import Truth, hung, one_gauge, one_joint
from tests.inspection.stored import stored_door
from tests.refusals import refuses

ONE = FeelerCheck(
    gauge="lock-hinge-top",
    t_ms=1_800_000_000_000,
    values_mm=(0.35, 0.30, 0.35),
    step_mm=0.05,
    enters=True,
    by="Anna",
    added_ms=1_800_000_000_000,
)


@pytest.fixture
def door(session: Session) -> DoorHung:
    """A door with a pair at one shoulder."""
    return stored_door(session, Truth(years=0.0), one_joint())


@pytest.mark.parametrize(("step_mm", "sd_mm", "places"), [(0.05, 0.014, 3), (0.01, 0.003, 3)])
def test_the_published_doubts(step_mm: float, sd_mm: float, places: int) -> None:
    assert round(replace(ONE, step_mm=step_mm).sd_mm, places) == sd_mm


def test_the_gap_is_the_middle_one() -> None:
    assert ONE.gap_mm == 0.35
    assert replace(ONE, values_mm=(0.2, 0.4, 0.3)).gap_mm == 0.3


def test_what_no_leaf_enters_lies_between_nothing_and_the_leaf() -> None:
    """Rectangular over its whole width: half of it by the root of three. Source: the GUM, 4.3.7."""
    shut = replace(ONE, values_mm=(0.03, 0.03, 0.03), enters=False)
    assert shut.gap_mm == 0.015
    assert shut.sd_mm == pytest.approx(0.015 / 3**0.5)


@pytest.mark.parametrize(("third", "sure"), [(0.30, True), (0.40, True), (0.29, False), (0.41, False)])
def test_three_that_differ_by_more_than_a_twentieth_are_not_sure(third: float, sure: bool) -> None:
    assert replace(ONE, values_mm=(0.35, 0.35, third)).is_sure is sure


def test_checks_come_back_oldest_first(session: Session, door: DoorHung, clock: HandClock) -> None:
    later = replace(ONE, t_ms=ONE.t_ms + 1, added_ms=clock.ms())
    first = replace(ONE, by="Bert", added_ms=clock.ms())
    for one in (later, first):
        add_check(session, door, one, now=clock())
    assert checks_of(session, door.id) == (first, later)
    assert checks_of(session, door.id, before_ms=later.t_ms) == (first,)
    assert checks_of(session, door.id + 1) == ()


def test_a_feeler_reaches_edges_and_shoulders() -> None:
    felt = set(felt_gauges(hung().built))
    kinds = {gauge.kind for gauge in hung().built.gauges if gauge.channel in felt}
    assert kinds == {"head", "latch", "sill", "shoulder"}
    assert not felt & {gauge.channel for gauge in hung().built.gauges if gauge.kind in ("diag", "air_rh")}
    assert felt_gauges(one_gauge().built) == ()


@pytest.mark.parametrize(
    ("change", "error", "needed", "came"),
    [
        ({"gauge": "air-rh"}, SettingsError, "lock-hinge-top, lock-hinge-bottom", "'air-rh'"),
        ({"values_mm": (0.3, 0.3)}, SettingsError, "three times", "2 values"),
        ({"values_mm": (0.3, 0.0, 0.3)}, OutOfRangeError, "over 0 and up to 20 mm", "0"),
        ({"values_mm": (0.3, float("nan"), 0.3)}, OutOfRangeError, "over 0", "nan"),
        ({"values_mm": (0.3, 0.3, 21.0)}, OutOfRangeError, "up to 20 mm", "21"),
        ({"step_mm": 0.2}, OutOfRangeError, "up to 0.1 mm", "0.2"),
        ({"step_mm": 0.0}, OutOfRangeError, "more than 0", "0"),
        ({"by": "\u202eAnna"}, SettingsError, "without U+202E", "Anna"),
    ],
)
def test_refusals(
    session: Session,
    door: DoorHung,
    clock: HandClock,
    change: dict[str, object],
    error: type[HangtrueError],
    needed: str,
    came: str,
) -> None:
    with refuses(error, asked="keep a feeler check of saltmarsh-yard/north", needed=needed, came=came):
        add_check(session, door, replace(ONE, **change), now=clock() + timedelta(days=1))  # type: ignore[arg-type]  # each by its own name
    assert checks_of(session, door.id) == ()

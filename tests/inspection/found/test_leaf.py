"""The leaf: droop, rack and their growth, as the rules read them."""

from dataclasses import replace

import pytest

from server.inspection.found.leaf import leaf
from server.inspection.seen import Seen
from server.inspection.values import Finding
from tests.inspection.doors import Truth, one_gauge, one_joint
from tests.inspection.found.seeing import FIRST_YEAR, seen_of, served, stays, verdicts


def the(seen: Seen) -> Finding:
    (one,) = leaf(seen)
    return one


def calm() -> Seen:
    """A leaf that is served and has not moved."""
    seen = served(seen_of(), "droop", (-0.01, 0.0, 0.01), **stays(0.0, -0.05, alarm=False))
    return served(seen, "rack", (-0.01, 0.0, 0.01), **stays(0.0, -0.05, alarm=False))


@pytest.mark.parametrize(
    ("key", "rates", "said"),
    [
        ("droop", (0.001, 0.05, 0.1), "holds"),
        ("rack", (0.001, 0.05, 0.1), "holds"),
        ("rack", (0.001, 0.049, 0.1), "between"),
        ("droop", (0.0, 0.05, 0.1), "gone"),
        ("droop", (0.001, 0.029, 0.1), "gone"),
    ],
)
def test_growth(key: str, rates: tuple[float, float, float], said: str) -> None:
    found = the(served(calm(), key, rates, **stays(0.0, -0.05, alarm=False)))
    assert (found.evidence["rate_of"], verdicts(found)["leaf_set"]) == (key, said)


@pytest.mark.parametrize(
    ("key", "facts", "said"),
    [
        ("rack", stays(0.15, 0.10, sd_day=0.075), "holds"),
        ("rack", stays(0.149, 0.10, sd_day=0.075), "between"),
        ("rack", stays(0.15, 0.10, sd_day=0.0751), "unjudged"),
        ("rack", stays(0.15, 0.099, sd_day=0.075), "unjudged"),
        ("rack", stays(0.12, 0.05, sd_day=0.075), "unjudged"),
        ("rack", stays(0.119, -0.05, sd_day=0.075), "gone"),
        ("droop", stays(1.0, 2 / 3, limit=1.0), "holds"),
        ("droop", stays(1.0, 0.66, limit=1.0), "between"),
        ("droop", stays(0.79, 0.6, limit=1.0), "gone"),
        ("rack", stays(0.0, -0.05, alarm=True), "at_once"),
        ("droop", stays(0.0, -0.05, alarm=True), "at_once"),
    ],
)
def test_over(key: str, facts: dict[str, object], said: str) -> None:
    assert (
        verdicts(the(served(calm(), key, None, **{"alarm": False, "sd_day": 0.02, **facts})))["leaf_over"]
        == said
    )


def test_a_first_year_is_unjudged_with_its_reason() -> None:
    found = the(seen_of())
    assert (found.unjudged, found.evidence["droop_stays_mm"]) == (FIRST_YEAR, None)
    assert set(verdicts(found).values()) == {"unjudged"}


def test_a_series_not_measured_any_more_has_no_figure_tonight() -> None:
    seen = calm()
    old = seen.inputs.hung_day + 30
    found = the(served(seen, "rack", None, **stays(0.2, 0.15, alarm=False, last_day=old, sd_day=0.02)))
    assert (found.evidence["rack_stays_mm"], verdicts(found)["leaf_over"]) == (None, "unjudged")
    both = served(served(seen, "rack", None, last_day=old), "droop", None, last_day=old)
    assert the(both).unjudged is not None


def test_a_door_with_one_gauge_has_the_makers_limit() -> None:
    found = the(seen_of(Truth(years=0.25), one_gauge()))
    assert (found.evidence["droop_limit_mm"], found.rests_on) == (1.5, ("north/droop",))
    assert not any(key.startswith("rack") for key in found.evidence)


def test_a_kit_that_tells_no_leaf_has_no_such_finding() -> None:
    assert leaf(seen_of(Truth(years=0.25), one_joint())) == []
    door = one_gauge()
    built = replace(door.built, limits=replace(door.built.limits, gauge_mm=None))
    assert leaf(seen_of(Truth(years=0.25), replace(door, built=built))) == []


def test_it_rests_on_the_gauges_that_read() -> None:
    names = set(the(calm()).rests_on)
    assert "north/ref" in names
    assert {"north/head-latch", "north/diag-fall"} <= names
    assert not any("lock" in name for name in names)

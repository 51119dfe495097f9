"""Room at each edge: against the published margins, and as the rules read it."""

from dataclasses import replace

import numpy as np
import pytest

from server.doors.carpentry import shape_of
from server.inspection.found.frame import NOT_READ, frame, margins
from server.inspection.seen import Seen
from server.joinery.leaf import STATES
from tests.inspection.doors import Truth, hung, made_inputs, missing, one_gauge, one_joint
from tests.inspection.found.seeing import about, marked, seen_in, seen_of, served, stays, verdicts
from tests.joinery import yard

CASES = yard.cases("margins")


def closed(mm: float) -> Seen:
    """A leaf that is down by so much at the head and up at the sill on the last day, all along."""
    inputs = made_inputs(Truth(years=0.25))
    gauges = dict(inputs.gauges)
    for name, by in (("head-hinge", mm), ("head-latch", mm), ("sill-latch", -mm)):
        late = inputs.day >= inputs.last_ended
        median = gauges[name].median
        gauges[name] = replace(gauges[name], median=np.where(late, np.median(median[14:28]) + by, median))
    return seen_in(replace(inputs, gauges=gauges))


@pytest.mark.parametrize("name", ["leaf-bind-near", "leaf-bind-touching"])
def test_the_least_of_the_edges_is_the_published_margin(name: str) -> None:
    states = np.array([[CASES[name]["input"]["state"][state] for state in STATES]])
    found, published = margins(yard.SHAPE, states), CASES[name]["output"]
    edge = published["at"].partition("@")[0]
    assert found[edge] == pytest.approx(published["margin_mm"], rel=1e-6)
    assert found[edge] == min(found.values())


def test_each_edge_as_hung_has_its_gap() -> None:
    found = margins(shape_of(hung().built), np.zeros((1, len(STATES))))
    assert found == {"head": 3.0, "sill": 8.0, "latch": 3.0, "hinge": 2.0}


@pytest.mark.parametrize(
    ("margin", "near", "close", "rubs"),
    [
        (0.99, "holds", "gone", "gone"),
        (0.79, "holds", "between", "gone"),
        (1.0, "between", "gone", "gone"),
        (1.3, "gone", "gone", "gone"),
        (0.49, "holds", "holds", "gone"),
        (0.5, "holds", "between", "gone"),
        (0.0, "holds", "holds", "holds"),
        (0.01, "holds", "holds", "between"),
    ],
)
def test_what_the_rules_say_of_a_margin(margin: float, near: str, close: str, rubs: str) -> None:
    made = about(frame(seen_of()), "north/head")
    said = verdicts(replace(made, evidence={**made.evidence, "margin_mm": margin}))
    assert (said["frame_near"], said["frame_close"], said["frame_rubs"]) == (near, close, rubs)


def test_a_leaf_that_drops_nears_the_sill_and_leaves_the_head() -> None:
    sound, down = frame(seen_of()), frame(closed(6.5))
    margin = {one.about: one.evidence["margin_mm"] for one in sound}
    assert margin["north/sill"] == pytest.approx(8.0, abs=0.5)
    assert verdicts(about(down, "north/sill"))["frame_near"] == "gone"
    moved = {one.about: one.evidence["margin_mm"] for one in down}
    assert moved["north/head"] == pytest.approx(9.5, abs=1.0)
    near = about(frame(closed(7.6)), "north/sill")
    assert near.evidence["margin_mm"] == pytest.approx(0.4, abs=0.35)
    assert verdicts(near)["frame_near"] == "holds"
    assert set(near.rests_on) >= {"north/sill-latch", "north/diag-rise", "north/ref"}


@pytest.mark.parametrize(
    ("stays_mm", "worst", "said"),
    [(-1.0, 1.51, "holds"), (-1.0, 1.49, "between"), (-1.0, 1.3, "gone")],
)
def test_the_least_to_be_expected(stays_mm: float, worst: float, said: str) -> None:
    # hung with 3 mm at the latch: what stays closes 1, a season another 1.5
    seen = served(seen_of(), "gap:latch-top", None, **stays(stays_mm, -1.2, worst_season=worst))
    found = about(frame(seen), "north/latch")
    assert found.evidence["least_expected_mm"] == pytest.approx(3 + stays_mm - worst)
    assert verdicts(found)["frame_forecast"] == said
    assert verdicts(about(frame(seen), "north/head"))["frame_forecast"] == "unjudged"
    roomier = served(seen, "gap:latch-bottom", None, **stays(0.0, -0.1, worst_season=0.1))
    assert about(frame(roomier), "north/latch").evidence == found.evidence


def test_a_day_without_readings_is_not_judged() -> None:
    inputs = made_inputs(Truth(years=0.25))
    names = tuple(name for name in inputs.gauges if not name.startswith("lock"))
    seen = seen_in(missing(inputs, inputs.last_ended, inputs.last_ended + 1, gauges=names))
    assert {one.unjudged for one in frame(seen)} == {NOT_READ}


def test_a_person_says_where_it_rubs() -> None:
    said = {
        one.about: verdicts(one)["frame_rubs"] for one in frame(marked(seen_of(), "rubs", text="At the head"))
    }
    assert (said["north/head"], said["north/sill"]) == ("at_once", "gone")
    unnamed = {one.about: verdicts(one)["frame_rubs"] for one in frame(marked(seen_of(), "rubs"))}
    assert unnamed["north/hinge"] == "at_once"  # the nearest
    assert verdicts(about(frame(marked(seen_of(), "rubs", 1)), "north/hinge"))["frame_rubs"] == "gone"
    ungauged = marked(seen_of(Truth(years=0.25), one_gauge()), "rubs")
    assert [(one.about, verdicts(one)["frame_rubs"]) for one in frame(ungauged)] == [
        ("north/frame", "at_once")
    ]


def test_a_door_without_gaps_has_no_such_finding() -> None:
    assert frame(seen_of(Truth(years=0.25), one_joint())) == []

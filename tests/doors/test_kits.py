"""What a door's kit can tell: against the published kits of the demo's leaf."""

from dataclasses import replace
from itertools import combinations

import pytest

from server.doors.built import BuiltDoor, Gauge
from server.doors.carpentry import shape_of, stations_of
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.kits import (
    best_kit,
    candidates_of,
    gauges_words,
    kit_of,
    next_of,
    place_words,
    within_words,
)
from server.errors import OutOfRangeError
from server.joinery.kit import Place, judge
from server.joinery.telling import HEAD_DROPS, LEANS, TILT_ALONE
from tests.joinery import yard
from tests.refusals import refuses

CASES = yard.cases("joinery") | yard.cases("frame")
A = ("head-hinge", "head-latch", "latch-bottom", "latch-top")


def door(*gauges: str, opening: str = "rigid") -> BuiltDoor:
    """North with those of its gauges alone."""
    made = read_door(example_text("north"), where="x.toml").built
    kept = tuple(one for one in made.gauges if one.channel in gauges)
    return replace(made, gauges=kept, opening=replace(made.opening, kind=opening))


@pytest.mark.parametrize("opening", ["rigid", "head_drops", "leans"])
def test_the_minimum_kit_is_the_published_one(opening: str) -> None:
    told = kit_of(door(*A), opening=opening)
    published = CASES["kit-table"]["output"][f"A/{opening}"]
    for name in ("rack", "sag", "droop"):
        assert told.kit.sd_mm[name] == pytest.approx(published[f"{name}_sd_mm"], rel=1e-6)


def test_the_best_four_are_the_published_ones() -> None:
    for opening in ("rigid", "head_drops"):
        published = CASES["kit-exhaustive"]["output"][f"{opening}/4"]
        best = best_kit(door(), 4, opening=opening)
        assert set(best.gauges) == set(published["kit"])
        assert best.score == pytest.approx(published["score"], rel=1e-6)


def test_the_next_gauge_after_a_is_the_published_one() -> None:
    published = CASES["kit-exhaustive"]["output"]["rigid/next-after-A"][0]
    singles = [(names, sd) for names, sd in next_of(door(*A)) if len(names) == 1]
    assert singles[0][0] == (published["id"],)
    assert singles[0][1] == pytest.approx(published["rack_sd_mm"], rel=1e-6)


def test_a_kit_that_keeps_what_there_is_grows_from_it() -> None:
    best = best_kit(door("latch-bottom", "sill-latch"), 4, keep=True, opening="leans")
    assert {"latch-bottom", "sill-latch"} < set(best.gauges)
    others = candidates_of(door(), beside=[])
    place = Place(shape=shape_of(door()), opening="leans")
    every = [
        judge(place, {name: others[name] for name in ("latch-bottom", "sill-latch", *more)}).score
        for more in combinations(set(others) - {"latch-bottom", "sill-latch"}, 2)
    ]
    assert best.score == pytest.approx(max(every), abs=5e-4)


def test_outside_a_rigid_opening_no_single_gauge_helps_the_rack() -> None:
    told = kit_of(door(*A, opening="leans"))
    assert told.kit.told["rack"] == "not_told"
    help_ = told.helps["rack"]
    assert (help_.gauges, help_.usable) == (("diag-fall", "diag-rise"), True)
    assert gauges_words(help_.gauges) == "both crossing diagonals"
    assert "sag" not in told.helps


def test_one_gauge_that_is_enough_is_named_before_two() -> None:
    told = kit_of(door("head-hinge", "latch-bottom", "latch-top"))
    assert told.kit.told["rack"] == "not_told"
    assert (len(told.helps["rack"].gauges), told.helps["rack"].usable) == (1, True)


def test_a_whole_kit_lacks_nothing_but_joints() -> None:
    told = kit_of(read_door(example_text("north"), where="x.toml").built)
    assert told.helps == {}
    assert told.bare_joints == ("bottom-hinge", "bottom-latch", "top-latch")


def test_without_gauges_nothing_is_told_and_everything_helps() -> None:
    told = kit_of(door())
    assert set(told.kit.told.values()) == {"not_told"}
    assert not any(help_.usable for name, help_ in told.helps.items() if name == "droop")


def test_a_place_that_is_taken_is_no_candidate() -> None:
    every = candidates_of(door())
    left = candidates_of(door(), beside=stations_of(door(*A)).values())
    assert every.keys() - left.keys() == set(A)
    assert "head-mid" not in every  # over a rail half its depth swells


def test_a_kit_is_not_planned_for_any_moisture_or_opening() -> None:
    with refuses(OutOfRangeError, asked="moisture", needed="0 to 20 %", came="30"):
        kit_of(door(*A), moisture_change_pct=30)
    with refuses(OutOfRangeError, asked="opening", needed="rigid, head_drops, leans", came="'wobbly'"):
        kit_of(door(*A), opening="wobbly")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("sill-latch", "at the sill, latch side"),
        ("hinge-top", "at the hinge edge, near the head"),
        ("diag-fall", "a diagonal from the hinge side's head"),
    ],
)
def test_places_are_said_in_words(name: str, said: str) -> None:
    assert place_words(name) == said


def test_why_a_kit_does_not_tell_is_said() -> None:
    """Source: joinery, section 8, rules 4 to 6."""
    assert dict(kit_of(door(*A), opening="rigid").why) == {}
    leans, drops = (kit_of(door(*A), opening=opening).why for opening in ("leans", "head_drops"))
    assert set(leans) == set(drops) == {"rack", "droop"}
    assert leans["rack"].startswith(LEANS)
    assert drops["droop"].startswith(HEAD_DROPS)
    made = door()
    tilt = Gauge(channel="tilt", kind="tilt", unit="rad", on="stile", sd_mm=0.0005)
    told = kit_of(replace(made, gauges=(tilt,)))
    assert set(told.kit.told.values()) == {"not_told"}
    assert set(told.why.values()) == {TILT_ALONE}


def test_what_a_meter_would_change_is_said_of_a_kit_that_needs_it() -> None:
    """Source: joinery, sections 7 and 9: a start that is not known spoils the droop of A, not its rack."""
    told = kit_of(door(*A)).metered
    assert (told.is_read, told.pct, told.sd_pct) == (False, None, 1.0)
    assert told.changed == ("droop",)
    assert told.now["droop"] is None
    assert told.read["droop"] is not None
    better = replace(door(*A), moisture_at_hanging_pct=12.0, moisture_at_hanging_sd_pct=0.5)
    read = kit_of(better).metered
    assert (read.is_read, read.unread, read.now) == (True, told.unread, read.read)
    assert read.read["droop"] is not None
    assert 2.2 > read.read["droop"] > told.read["droop"]


def test_a_kit_that_a_meter_does_not_help_is_left_alone() -> None:
    assert kit_of(door(*A, "diag-fall", "diag-rise")).metered.changed == ()


@pytest.mark.parametrize(
    ("within", "said"),
    [(None, "on no day"), (20.0, "on every day"), (0.9, "within 0.9 % of the moisture of its hung line")],
)
def test_how_far_is_said_in_words(within: float | None, said: str) -> None:
    assert within_words(within) == said

"""Load tests: who may be loaded, what the readings tell against the published fits, and what is kept."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from sqlalchemy.orm import Session

from server.doors import register
from server.doors.built import BuiltDoor
from server.doors.carpentry import shape_of, stations_of
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.load_file import EXAMPLE, Consent, LoadFile, read_load_file
from server.doors.load_tests import (
    LoadTest,
    beyond_words,
    check_allowed,
    fall_between,
    fall_of,
    fallen,
    fitted,
    hung_and_glued,
    keep,
    load_tests_of,
    stiffness_told,
)
from server.doors.margins import Margin
from server.doors.marks import marks_of
from server.doors.refusals import LoadRefusedError
from server.errors import OutOfRangeError
from server.joinery.leaf import STATES, read
from tests.fakes.clock import HandClock
from tests.joinery import yard
from tests.refusals import refuses

CASES = yard.cases("frame")
ROOM = Margin(least_mm=2.0, edge="head", at_mm=0.0)


def door(name: str = "north", **changes: object) -> BuiltDoor:
    made = read_door(example_text(name), where="x.toml").built
    return replace(made, **changes)  # type: ignore[arg-type]  # fields of BuiltDoor, by use


def racks(mean_mm: float, sd_mm: float) -> list[float]:
    """A first cycle that is thrown away, then four whose mean has that sd."""
    swing = sd_mm * 2 / (4 / 3) ** 0.5
    return [9.0, mean_mm - swing, mean_mm + swing, mean_mm - swing, mean_mm + swing]


def on_bench(mean_mm: float, sd_mm: float = 0.005, state: str = "glued") -> LoadFile:
    # the demo's diagonals: rack = 1.1079 (fall - rise)/2, the factor from its geometry (930, 1950, 810 mm)
    each = 2 * 810 * 1950 / (np.hypot(930, 1950) * 810)
    falls = tuple(float(rack) * each / 2 for rack in racks(mean_mm, sd_mm))
    none = (0.0,) * 5
    given = read_load_file(EXAMPLE, where="x.toml")
    return replace(
        given,
        place="bench",
        state=state,
        unloaded_mm={"diag-fall": none, "diag-rise": none},
        loaded_mm={"diag-fall": falls, "diag-rise": tuple(-fall for fall in falls)},
    )


def on_hinges(built: BuiltDoor, names: tuple[str, ...], mean_mm: float) -> LoadFile:
    """The readings of those gauges while the leaf racks so far and turns on its hinges besides."""
    shape, stations = shape_of(built), stations_of(built)
    changes: Mapping[str, list[float]] = {name: [] for name in names}
    for rack_mm in racks(mean_mm, 0.005):
        states = np.zeros((1, 8))
        states[0, STATES.index("gam")] = rack_mm / shape.rail_mm
        states[0, STATES.index("phi")] = 4e-4
        for name in names:
            moved = read(shape, stations[name], states) - read(shape, stations[name], 0 * states)
            changes[name].append(float(moved[0]))
    given = read_load_file(EXAMPLE, where="x.toml")
    return replace(
        given,
        unloaded_mm=dict.fromkeys(names, (0.0,) * 5),
        loaded_mm={name: tuple(change) for name, change in changes.items()},
    )


@pytest.mark.parametrize(("name", "rack_mm"), [("north", 0.085), ("south", 0.120)])
def test_the_bench_tells_the_published_factor(name: str, rack_mm: float) -> None:
    published = CASES[f"loadtest-{name}"]["output"]
    found = fitted(door(name), on_bench(rack_mm))
    assert found.cycles == 4
    assert (found.rack_mm, found.sd_mm) == pytest.approx((rack_mm, 0.005), rel=1e-4)
    assert found.fit.f_k == pytest.approx(published["f_k"], rel=1e-4)
    assert (found.fit.low, found.fit.high) == pytest.approx(
        (published["f_low"], published["f_high"]), rel=1e-3
    )


@pytest.mark.parametrize(
    "names", [("diag-fall", "diag-rise"), ("head-hinge", "head-latch", "latch-top", "latch-bottom")]
)
def test_the_hung_door_s_gauges_tell_it_without_the_hinges(names: tuple[str, ...]) -> None:
    built = door()
    found = fitted(built, on_hinges(built, names, 0.085))
    assert found.rack_mm == pytest.approx(0.085, rel=0.01)
    assert found.fit.f_k == pytest.approx(CASES["loadtest-north"]["output"]["f_k"], rel=0.03)


def test_gauges_that_cannot_part_rack_from_a_lean_are_refused() -> None:
    built = door()
    leaning = replace(built, opening=replace(built.opening, kind="leans"))
    file = on_hinges(built, ("head-hinge", "head-latch", "latch-top", "latch-bottom"), 0.085)
    with refuses(
        OutOfRangeError, asked="rack of a load test", needed="crossing diagonals", came="head-hinge"
    ):
        fitted(leaning, file)


def test_a_gauge_that_is_not_there_is_refused() -> None:
    file = read_load_file(EXAMPLE.replace("diag-rise", "diag-up"), where="x.toml")
    with refuses(OutOfRangeError, asked="gauge of a load test", needed="diag-fall", came="'diag-up'"):
        fitted(door(), file)


@pytest.mark.parametrize(("change", "came"), [(0.3, "0.3 %"), (None, "no moisture_change_pct")])
def test_weather_that_was_not_steady_is_refused(change: float | None, came: str) -> None:
    file = replace(read_load_file(EXAMPLE, where="x.toml"), moisture_change_pct=change)
    with refuses(LoadRefusedError, asked="load test of saltmarsh-yard/north", needed="0.3 %", came=came):
        fitted(door(), file)


def test_a_dry_fit_softer_than_the_model_keeps_the_bound_and_says_so() -> None:
    found = fitted(door(), on_bench(0.3, state="dry"))
    assert (found.fit.f_k, found.fit.beyond) == (0.05, "softer")
    assert beyond_words(found.fit).startswith("softer than the model covers")
    assert beyond_words(fitted(door(), on_bench(0.085)).fit) == ""


def test_cycles_that_agree_are_as_good_as_a_gauge_repeats() -> None:
    assert fitted(door(), on_bench(0.085, sd_mm=0.0)).sd_mm == pytest.approx(0.005 / 2, rel=1e-6)


def test_the_bench_needs_its_diagonals() -> None:
    bare = replace(door(), gauges=())
    with refuses(OutOfRangeError, asked="on the bench", needed="[diagonals]", came="none"):
        fitted(bare, on_bench(0.085))
    given = replace(on_bench(0.085), diagonals_mm=((60, 990), (100, 2050)))
    assert fitted(bare, given).rack_mm == pytest.approx(0.085)


@pytest.mark.parametrize(
    ("rated", "came"),
    [
        ("fire", "a fire door"),
        ("escape", "a door on an escape way"),
        ("alarmed", "an alarmed door"),
        ("not_known", "not known whether it is rated"),
    ],
)
def test_a_rated_door_needs_its_keeper_s_consent(rated: str, came: str) -> None:
    with refuses(LoadRefusedError, asked="load test of", needed="written consent", came=came):
        check_allowed(door(rated=rated), standing=[], margin=ROOM)
    check_allowed(door(rated=rated), standing=[], margin=ROOM, consent=True)


def test_an_alert_or_too_little_room_refuses_and_consent_does_not_help() -> None:
    with refuses(LoadRefusedError, asked="load test", needed="no alert stands", came="North: joint opening"):
        check_allowed(door(), standing=["North: joint opening"], margin=ROOM, consent=True)
    tight = replace(ROOM, least_mm=0.49)
    with refuses(LoadRefusedError, asked="load test", needed="0.5 mm of room", came="0.49 mm at the head"):
        check_allowed(door(), standing=[], margin=tight, consent=True)
    check_allowed(door(), standing=[], margin=None)
    check_allowed(door(), standing=[], margin=replace(ROOM, least_mm=0.5))


def test_a_test_is_kept_and_marked(session: Session, clock: HandClock) -> None:
    built = replace(door(), hung=clock() - timedelta(days=90))
    register.enrol_node(session, built.site, built.node, kind="tracked", zone="UTC", now=clock())
    hung = register.add_door(session, built, now=clock())
    file = replace(
        on_bench(0.085), place="hung", consent=Consent(by="A. Warden", on="2026-04-20", words="Yes")
    )
    kept = keep(session, hung.id, file, fitted(built, on_bench(0.085)), now=clock())
    session.commit()
    assert load_tests_of(session, hung.id) == (kept,)
    assert (kept.day, kept.place, kept.state, kept.cycles, kept.beyond) == (
        "2026-05-02",
        "hung",
        "glued",
        4,
        None,
    )
    (mark,) = marks_of(session, hung.id)
    assert (mark.kind, mark.text) == ("load-test", "Load test, 10 kg: it racked 0.085 mm.")
    told = stiffness_told([kept])
    assert told is not None
    assert (told.f_k, told.source) == (kept.f_k, "load test of 2026-05-02")
    assert told.low < kept.f_k < told.high


def made(day: str, f_k: float, *, place: str = "hung", state: str = "glued", sd_ln: float = 0.1) -> LoadTest:
    low, high = f_k * np.exp([-sd_ln, sd_ln])
    return LoadTest(
        id=1, day=day, place=place, state=state, mass_kg=10, strap_mm=0, cycles=5, rack_mm=0.08, sd_mm=0.004,
        f_k=f_k, low=float(low), high=float(high), sd_ln=sd_ln, beyond=None,
    )  # fmt: skip


def test_a_hung_test_rules_over_the_bench_and_a_dry_fit_over_nothing() -> None:
    bench, hung = made("2026-01-05", 0.15, place="bench"), made("2026-01-02", 0.13)
    dry = made("2026-03-01", 0.06, place="bench", state="dry")
    assert stiffness_told([dry]) is None
    found = stiffness_told([hung, bench, dry])
    assert found is not None
    assert found.f_k == 0.13
    only = stiffness_told([bench, dry])
    assert only is not None
    assert only.f_k == 0.15
    pegged = made("2026-02-01", 0.07, state="dry")
    assert hung_and_glued([hung, bench, dry, pegged]) == [hung]


@pytest.mark.parametrize(("last", "fell"), [(0.11, False), (0.099, False), (0.097, True)])
def test_a_factor_that_fell_by_more_than_2_sd_is_seen(last: float, fell: bool) -> None:
    # ln(0.13 / 0.0980) = 0.2828 = 2 times the 0.1414 of both tests together
    tests = [made("2026-01-02", 0.13), made("2027-01-02", last)]
    assert (fallen(tests) is not None) is fell
    assert fallen(tests[:1]) is None


@pytest.mark.parametrize(
    ("last", "beyond", "fall_sd", "at_bound"),
    [
        (0.13, None, 0.0, False),
        (0.098, None, 1.998, False),
        (0.15, None, -1.012, False),
        (0.05, "softer", 6.757, True),
    ],
)
def test_a_fall_is_told_against_its_own_doubt(
    last: float, beyond: str | None, fall_sd: float, at_bound: bool
) -> None:
    """By hand: ln(0.13 / last) over the square root of 0.1^2 + 0.1^2."""
    tests = [made("2026-01-02", 0.13), replace(made("2027-01-02", last), beyond=beyond)]
    found = fall_between(tests)
    assert found is not None
    assert found.fall_sd == pytest.approx(fall_sd, abs=1e-3)
    assert found.at_bound is at_bound
    assert found.fell is (fall_sd > 2)
    assert (found.first, found.last) == tuple(tests)
    assert fall_between(tests[1:]) is None
    assert fall_between([tests[0], made("2027-01-02", last, state="dry")]) is None


def test_a_fall_is_read_from_the_register(session: Session, clock: HandClock) -> None:
    built = replace(door(), hung=clock() - timedelta(days=90))
    register.enrol_node(session, built.site, built.node, kind="tracked", zone="UTC", now=clock())
    hung = register.add_door(session, built, now=clock())
    assert fall_of(session, hung.id) is None
    for rack_mm in (0.085, 0.12):
        file = replace(on_bench(rack_mm), place="hung")
        keep(session, hung.id, file, fitted(built, on_bench(rack_mm)), now=clock())
    found = fall_of(session, hung.id)
    assert found is not None
    assert found.first.f_k > found.last.f_k
    assert found.fall_sd > 0

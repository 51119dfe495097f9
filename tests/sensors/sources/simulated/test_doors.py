"""The doors' figures, the switch of the opening, and the drawing of rates."""

import math
from dataclasses import asdict
from statistics import fmean, stdev

import pytest

from sensors.sources.simulated.doors import DOORS, Opening, OpeningChoice, build_of, opening_of
from tests.sensors.sources.simulated.refusals import refused

NAMED = Opening(joint="top-hinge", onset_day=100.0, rho_mrad=0.2)


@pytest.mark.parametrize(
    ("door", "choice", "swap", "joint"),
    [
        ("north", None, False, "lock-hinge"),
        ("south", None, False, None),
        ("north", None, True, None),
        ("south", None, True, "lock-hinge"),
        ("north", "none", False, None),
        ("south", ("top-hinge", 100.0, 0.2), False, "top-hinge"),
    ],
)
def test_which_door_opens(door: str, choice: OpeningChoice, swap: bool, joint: str | None) -> None:
    opening = opening_of(door, choice, swap=swap)
    assert (opening.joint if opening else None) == joint


def test_opening_named_and_the_demo_one() -> None:
    assert opening_of("south", ("top-hinge", 100.0, 0.2)) == NAMED
    demo = opening_of("north")
    assert demo == Opening(joint="lock-hinge", onset_day=560.0, rho_mrad=0.10, power=1.4, share=0.16)


def test_opening_grows_from_its_day_on() -> None:
    """Its own limits, inverted by hand: days 783, 925 and 1048 (rounded) to 0.05, 0.10 and 0.15 mrad."""
    demo = Opening(joint="lock-hinge", onset_day=560.0, rho_mrad=0.10)
    assert demo.turn_mrad(559.9 / 365.25) == 0.0
    for day, mrad in ((782.6, 0.05), (925.25, 0.10), (1048.0, 0.15)):
        assert demo.turn_mrad(day / 365.25) == pytest.approx(mrad, abs=1e-4)


@pytest.mark.parametrize(
    ("choice", "swap", "asked", "came"),
    [
        (("mid-rail", 1.0, 0.1), False, "opening: joint", "mid-rail"),
        (("lock-hinge", -1.0, 0.1), False, "opening", "day -1"),
        (("lock-hinge", 1.0, 0.0), False, "opening", "0 mrad"),
        (("lock-hinge", math.nan, 0.1), False, "opening", "nan"),
        ("none", True, "swap", "none"),
    ],
)
def test_refuses_openings(choice: OpeningChoice, swap: bool, asked: str, came: str) -> None:
    with refused(asked=asked, came=came):
        opening_of("north", choice, swap=swap)


def test_refuses_a_door_that_is_not_in_the_yard() -> None:
    with refused(asked="simulated door", needed="north or south", came="east"):
        build_of("east", seed=1)


def test_rates_vary_log_normally_by_the_seed_and_nothing_else_does() -> None:
    logs = [
        math.log(build_of("north", seed=seed, vary=True).set_mrad / DOORS["north"].set_mrad)
        for seed in range(400)
    ]
    assert fmean(logs) == pytest.approx(0.0, abs=0.08)
    assert stdev(logs) == pytest.approx(0.4, rel=0.12)
    plain, varied = asdict(DOORS["north"]), asdict(build_of("north", seed=1, vary=True))
    changed = {name for name, value in plain.items() if varied[name] != value}
    assert changed == {
        "set_mrad",
        "ratchet_mrad_per_pct",
        "turn_mrad",
        "hinge_top_mm_per_year",
        "hinge_bottom_mm_per_year",
        "hinge_drop_mm_per_year",
        "lean_mrad_per_year",
        "head_mrad_per_year",
    }
    assert build_of("north", seed=1) == DOORS["north"]

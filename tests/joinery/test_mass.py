"""Weight and hinges against statics by hand (tests/published/frame.json)."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.errors import OutOfRangeError
from server.joinery.build import GRAVITY_M_S2
from server.joinery.mass import hinge_forces, mass, parts
from tests.joinery import yard
from tests.refusals import refuses

LAW = settings(derandomize=True, database=None, deadline=None, max_examples=60)
CASES = yard.cases("frame")
NORTH = yard.leaf("north")


def test_every_part() -> None:
    wanted = CASES["mass-demo"]["output"]
    found = [(part.name, part.mass_kg, part.x_m, part.y_m) for part in parts(NORTH)]
    assert [part[0] for part in found] == [part["name"] for part in wanted["parts"]]
    numbers = [number for part in found for number in part[1:]]
    assert numbers == pytest.approx([part[key] for part in wanted["parts"] for key in "mxy"], rel=1e-9)


@pytest.mark.parametrize("name", ["north", "south"])
def test_whole_leaf(name: str) -> None:
    """The joints lie inside the members, so both doors weigh the same."""
    wanted, whole = CASES["mass-demo"]["output"], mass(yard.leaf(name))
    assert whole.mass_kg == pytest.approx(wanted["m"], rel=1e-9)
    assert (whole.x_m, whole.y_m) == pytest.approx((wanted["x_g"], wanted["y_g"]), rel=1e-9)
    assert whole.weight_n == pytest.approx(535.080143373, rel=1e-9)


@pytest.mark.parametrize(("case", "load_kg"), [("hinge-demo", 0.0), ("hinge-demo-10kg", 10.0)])
def test_hinges_of_the_yard(case: str, load_kg: float) -> None:
    whole, wanted = mass(NORTH), CASES[case]["output"]
    found = hinge_forces(
        whole.weight_n, whole.x_m, apart_m=1.65, load_n=load_kg * GRAVITY_M_S2, load_x_m=1.05
    )
    assert found.top_n == pytest.approx(wanted["Hx_top_on_leaf"], rel=1e-9)
    assert found.bottom_n == pytest.approx(wanted["Hx_bottom_on_leaf"], rel=1e-9)
    assert found.vertical_n == pytest.approx(wanted["V_sum"], rel=1e-9)


def test_hinges_of_a_slab_by_hand() -> None:
    """40 kg x 9.80665 x 0.45 / 1.5."""
    assert hinge_forces(40 * 9.80665, 0.45, apart_m=1.5).bottom_n == pytest.approx(117.6798, rel=1e-9)


@LAW
@given(st.floats(0.3, 3), st.floats(100, 1200))
def test_heavier_wood_weighs_more_and_no_more(times: float, density: float) -> None:
    bare = replace(NORTH, extras=(), density_kg_m3=density)
    heavy = replace(bare, density_kg_m3=times * density)
    assert mass(heavy).mass_kg == pytest.approx(times * mass(bare).mass_kg, rel=1e-12)
    assert mass(heavy).y_m == pytest.approx(mass(bare).y_m, rel=1e-12)


@LAW
@given(st.floats(0, 900), st.floats(0, 1.2), st.floats(0.5, 3), st.floats(0, 200))
def test_hinges_hold_the_couple(weight: float, x: float, apart: float, load: float) -> None:
    found = hinge_forces(weight, x, apart_m=apart, load_n=load, load_x_m=1.0)
    assert found.top_n + found.bottom_n == 0
    assert found.bottom_n * apart == pytest.approx(weight * x + load, rel=1e-12, abs=1e-12)


def test_refuses_hinges_at_one_height() -> None:
    with refuses(OutOfRangeError, asked="outer hinges", needed="above 0 m", came="0"):
        hinge_forces(500.0, 0.5, apart_m=0.0)

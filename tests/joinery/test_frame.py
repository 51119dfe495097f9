"""The leaf's frame against published cases, and against virtual work on a system of its own."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.errors import OutOfRangeError
from server.joinery.build import GRAVITY_M_S2, Extra, Leaf
from server.joinery.frame import ARM_TIMES, Case, Load, joint_stiffness, leaf_frame
from server.joinery.joints import Given
from server.joinery.mass import mass, panel_parts
from server.joinery.refusals import BracedLeafError
from tests.joinery import yard
from tests.refusals import refuses

LAW = settings(derandomize=True, database=None, deadline=None, max_examples=15)
CASES = yard.cases("frame")
TEN_KG = Load(force_n=98.0665, x_m=1.05, y_m=0.0)
PUBLISHED = [
    (door, f"frame-{door}-{what}", case)
    for door in ("north", "south")
    for what, case in (
        ("self", Case()),
        ("load10", Case(weight=False, load=TEN_KG)),
        ("self-no-shear", Case(shear=False)),
    )
]
NORTH, SOUTH = yard.leaf("north"), yard.leaf("south")


@pytest.mark.parametrize(("door", "name", "case"), PUBLISHED, ids=[name for _, name, _ in PUBLISHED])
def test_published_leaf(door: str, name: str, case: Case) -> None:
    out, found = CASES[name]["output"], leaf_frame(yard.leaf(door), case)
    apparent = [1000 * found.turned_rad, 1000 * found.racked_rad, found.rack_mm, found.droop_mm]
    assert apparent == pytest.approx(list(out["apparent"].values()), rel=1e-8)
    for joint, wanted in out["joints"].items():
        one = found.joints[joint]
        assert one.turn_rad is not None
        assert one.index_pa is not None
        told = [one.moment_n_m, one.shear_n, 1000 * one.turn_rad, one.index_pa / 1000]
        assert told == pytest.approx(list(wanted.values()), rel=1e-7)
    assert found.pin_bottom_n == pytest.approx(list(out["pin_bottom"].values()), rel=1e-8)
    assert found.pin_top_n[0] == pytest.approx(out["pin_top"]["Fx"], rel=1e-8)


@pytest.mark.parametrize("door", ["north", "south"])
def test_one_joint_softens(door: str) -> None:
    leaf, out = yard.leaf(door), CASES[f"frame-{door}-one-joint-softens"]["output"]
    sound = leaf_frame(leaf)
    for joint, by_share in out.items():
        for share, wanted in by_share.items():
            soft = leaf_frame(leaf, Case(left={joint: float(share)}))
            assert soft.droop_mm - sound.droop_mm == pytest.approx(wanted["d_droop_mm"], rel=1e-5, abs=1e-9)
            assert soft.rack_mm - sound.rack_mm == pytest.approx(wanted["d_rack_mm"], rel=1e-5, abs=1e-9)
            turns = (soft.joints[joint].turn_rad, sound.joints[joint].turn_rad)
            if wanted["d_psi_mrad"] is None:
                assert turns[0] is None
                assert soft.joints[joint].moment_n_m == pytest.approx(0.0, abs=1e-6)
            else:
                assert 1000 * ((turns[0] or 0) - (turns[1] or 0)) == pytest.approx(
                    wanted["d_psi_mrad"], rel=1e-6
                )


def test_growth_of_a_turn_for_the_joint_s_own_moment() -> None:
    for door, leaf in (("north", NORTH), ("south", SOUTH)):
        found = leaf_frame(leaf)
        for end in ("hinge", "latch"):
            wanted, one = (
                CASES["compare-per-moment"]["output"][f"{door}-lock-{end}"],
                found.joints[f"lock-{end}"],
            )
            assert 0.05 / one.moment_n_m == pytest.approx(wanted["growth_0p05_mrad_per_Nm"], rel=1e-8)
            assert (one.index_pa or 0) / 1000 / one.moment_n_m == pytest.approx(
                wanted["index_kPa_per_Nm"], rel=1e-8
            )


def test_strap_s_height_matters() -> None:
    for key, rack in CASES["loadtest-height"]["output"]["rack_mm"].items():
        door, height = key.split("@")
        case = Case(weight=False, load=Load(force_n=98.0665, x_m=1.05, y_m=float(height)))
        assert leaf_frame(yard.leaf(door), case).rack_mm == pytest.approx(rack, rel=1e-8)


# Second way: virtual work. The two outer rails are cut at their latch shoulders; what passes there is six
# unknowns, found from the cuts closing again. No stiffness matrix, no springs inside members.


@dataclass(frozen=True, kw_only=True)
class Force:
    """A force and moment on a member, at a place of the leaf; or a line of weight from `at` to `to`."""

    on: str
    at: float
    place: tuple[float, float]
    force: tuple[float, float, float] = (0.0, 0.0, 0.0)
    to: float | None = None
    weight: float = 0.0


class CutOpen:
    """The leaf with its bottom and top rails cut at their latch shoulders: its forces by statics alone."""

    def __init__(self, leaf: Leaf, case: Case) -> None:
        self.leaf, self.case = leaf, case
        self.half, self.far = leaf.stile_m / 2, leaf.width_m - leaf.stile_m / 2
        self.rails = {rail.name: rail for rail in leaf.rails}
        self.low, self.high = leaf.outer_hinges_m
        self.stiffness = joint_stiffness(leaf, case)

    def place(self, on: str, at: float) -> tuple[float, float]:
        if on in self.rails:
            return at, self.rails[on].y_m
        return {"hinge": self.half, "latch": self.far, "pin-low": at, "pin-high": at}[on], (
            at if on in ("hinge", "latch") else {"pin-low": self.low, "pin-high": self.high}[on]
        )

    def loads(self) -> list[Force]:
        leaf, every = self.leaf, []
        if self.case.weight:
            stile = leaf.stile_m * leaf.thickness_m * leaf.density_kg_m3 * GRAVITY_M_S2
            every += [
                Force(on=on, at=0.0, to=leaf.height_m, place=(x, 0.0), weight=stile)
                for on, x in (("hinge", self.half), ("latch", self.far))
            ]
            for rail, panel in zip(leaf.rails, [*(p.mass_kg for p in panel_parts(leaf)), 0.0], strict=True):
                own = rail.depth_m * leaf.thickness_m * leaf.density_kg_m3 + panel / leaf.rail_m
                start, end = leaf.stile_m, leaf.width_m - leaf.stile_m
                every.append(
                    Force(on=rail.name, at=start, to=end, place=(0, rail.y_m), weight=own * GRAVITY_M_S2)
                )
            every += [self.hung(GRAVITY_M_S2 * e.mass_kg, e.x_m, e.y_m) for e in leaf.extras if e.x_m > 0]
        if self.case.load:
            every.append(self.hung(self.case.load.force_n, self.case.load.x_m, self.case.load.y_m))
        return self.held(every)

    def hung(self, weight: float, x: float, y: float) -> Force:
        return Force(on="latch", at=y, place=(x, y), force=(0.0, -weight, 0.0))

    def held(self, every: list[Force]) -> list[Force]:
        """With what the hinges must give: pulled at the top, held up at the bottom."""
        x, y, moment = (
            sum(part) for part in zip(*(self.about(f, (0.0, self.low)) for f in every), strict=True)
        )
        push = moment / (self.high - self.low)
        return [
            *every,
            Force(on="pin-high", at=0.0, place=(0.0, self.high), force=(push, 0.0, 0.0)),
            Force(on="pin-low", at=0.0, place=(0.0, self.low), force=(-push - x, -y, 0.0)),
        ]

    def about(
        self, load: Force, point: tuple[float, float], since: float | None = None, until: float | None = None
    ) -> tuple[float, float, float]:
        if load.to is None:
            x, y, moment = load.force
            return x, y, moment + (load.place[0] - point[0]) * y - (load.place[1] - point[1]) * x
        start = load.at if since is None else max(load.at, since)
        end = load.to if until is None else min(load.to, until)
        if end <= start:
            return 0.0, 0.0, 0.0
        weight = load.weight * (end - start)
        x_mid = load.place[0] if load.on in ("hinge", "latch") else (start + end) / 2
        return 0.0, -weight, -weight * (x_mid - point[0])

    def beyond(self, load: Force, on: str, at: float) -> tuple[float | None, float | None] | None:
        """The part of a load that lies beyond a section: None for nothing, else since and until where."""
        whole, lock = (None, None), self.rails["lock"].y_m
        if on == "hinge":
            return self.below(load, at)
        if on == "latch":
            above = at > lock
            span: tuple[float | None, float | None] = (at, None) if above else (None, at)
            return span if load.on == on and (load.to is not None or (load.at > at) == above) else None
        if (on == "lock" and load.on == "latch") or (on.startswith("pin") and load.on == on):
            return whole
        return (at, None) if load.on == on and (load.to or load.at) >= at else None

    def below(self, load: Force, at: float) -> tuple[float | None, float | None] | None:
        if load.on == "hinge":
            return (None, at) if load.to is not None or load.at < at else None
        root = {"latch": self.rails["lock"].y_m, "pin-low": self.low, "pin-high": self.high}
        height = root.get(load.on) or self.rails[load.on].y_m
        return (None, None) if height < at else None

    def section(self, loads: list[Force], on: str, at: float) -> tuple[float, float, float]:
        """Axial, shear and moment of what lies beyond a section, each with its own sign all over."""
        point = self.place(on, at)
        parts = [
            self.about(load, point, *span)
            for load in loads
            if (span := self.beyond(load, on, at)) is not None
        ]
        x, y, moment = np.sum(parts, axis=0) if parts else (0.0, 0.0, 0.0)
        return (y, x, moment) if on in ("hinge", "latch") else (x, y, moment)

    def spans(self) -> Iterator[tuple[str, float, float, float]]:
        """Each smooth length: member, from, to, depth (0 for a hinge's arm)."""
        leaf = self.leaf
        stops = [rail.y_m for rail in leaf.rails]
        loads = [load.at for load in self.loads() if load.on == "latch" and load.to is None]
        for on, more in (("hinge", [self.low, self.high]), ("latch", loads)):
            cuts = sorted({0.0, leaf.height_m, *stops, *more})
            yield from ((on, a, b, leaf.stile_m) for a, b in pairwise(cuts))
        for rail in leaf.rails:
            yield rail.name, leaf.stile_m, leaf.width_m - leaf.stile_m, rail.depth_m
        yield from ((pin, 0.0, self.half, 0.0) for pin in ("pin-low", "pin-high"))

    def work(self, first: list[Force], second: list[Force]) -> float:
        """Sum of forces of one times stretches of the other, springs and all."""
        points, weights = np.polynomial.legendre.leggauss(4)
        total = 0.0
        for on, start, end, depth in self.spans():
            stretch = self.stretch(depth)
            for point, weight in zip(points.tolist(), weights.tolist(), strict=True):
                at = (start + end) / 2 + (end - start) / 2 * point
                one, two = (np.array(self.section(loads, on, at)) for loads in (first, second))
                total += (end - start) / 2 * weight * float(stretch @ (one * two))
        shoulders = {"hinge": self.leaf.stile_m, "latch": self.leaf.width_m - self.leaf.stile_m}
        for joint, stiffness in self.stiffness.items():
            rail, side = joint.split("-")
            moments = [self.section(loads, rail, shoulders[side])[2] for loads in (first, second)]
            total += moments[0] * moments[1] / stiffness
        return total

    def stretch(self, depth: float) -> np.ndarray[Any, Any]:
        leaf, times = self.leaf, 1.0 if depth else ARM_TIMES
        area, second = (
            (depth or leaf.stile_m) * leaf.thickness_m,
            leaf.thickness_m * (depth or leaf.stile_m) ** 3 / 12,
        )
        slide = (
            0.0 if not depth or not self.case.shear else 1 / (5 / 6 * leaf.g_over_e * leaf.modulus_pa * area)
        )
        return np.array([1 / (times * leaf.modulus_pa * area), slide, 1 / (times * leaf.modulus_pa * second)])

    def closed(self) -> list[Force]:
        """All forces of the whole leaf: its loads, and what passes the cuts so that they close."""
        loads, unknown = self.loads(), self.cuts()
        gap = np.array([self.work(cut, loads) for cut in unknown])
        open_up = np.array([[self.work(one, two) for two in unknown] for one in unknown])
        passing = np.linalg.solve(open_up, -gap)
        return loads + [
            replace(force, force=tuple(amount * part for part in force.force))
            for amount, cut in zip(passing, unknown, strict=True)
            for force in cut
        ]

    def cuts(self) -> list[list[Force]]:
        shoulder, found = self.leaf.width_m - self.leaf.stile_m, []
        for name in ("bottom", "top"):
            place = (shoulder, self.rails[name].y_m)
            for way in np.eye(3):
                pair = ((name, shoulder, way), ("latch", self.rails[name].y_m, -way))
                found.append([Force(on=on, at=at, place=place, force=tuple(f)) for on, at, f in pair])
        return found

    def unit(self, *loads: tuple[str, float, tuple[float, float], tuple[float, float, float]]) -> list[Force]:
        return self.held([Force(on=on, at=at, place=place, force=force) for on, at, place, force in loads])


def virtual_droop(cut: CutOpen) -> list[Force]:
    """One newton down at the latch-side top corner."""
    leaf = cut.leaf
    return cut.unit(("latch", leaf.height_m, (leaf.width_m, leaf.height_m), (0.0, -1.0, 0.0)))


def virtual_rack(cut: CutOpen) -> list[Force]:
    """What the rack is made of: falls of both stiles' tops, less the turn of the latch stile."""
    leaf = cut.leaf
    across = (leaf.width_m - leaf.stile_m) / leaf.height_m
    top, bottom = (cut.far, leaf.height_m), (cut.far, 0.0)
    return cut.unit(
        ("latch", leaf.height_m, top, (-across, -1.0, 0.0)),
        ("hinge", leaf.height_m, (cut.half, leaf.height_m), (0.0, 1.0, 0.0)),
        ("latch", 0.0, bottom, (across, 0.0, 0.0)),
    )


@pytest.mark.parametrize("leaf", [NORTH, SOUTH], ids=["north", "south"])
@pytest.mark.parametrize(
    "case", [Case(), Case(shear=False), Case(weight=False, load=TEN_KG)], ids=["weight", "no shear", "10 kg"]
)
def test_virtual_work_agrees(leaf: Leaf, case: Case) -> None:
    cut, found = CutOpen(leaf, case), leaf_frame(leaf, case)
    whole = cut.closed()
    assert 1000 * cut.work(whole, virtual_droop(cut)) == pytest.approx(found.droop_mm, rel=1e-9)
    assert 1000 * cut.work(whole, virtual_rack(cut)) == pytest.approx(found.rack_mm, rel=1e-9)
    moment = cut.section(whole, "lock", leaf.stile_m)[2]
    assert -moment == pytest.approx(found.joints["lock-hinge"].moment_n_m, rel=1e-8)


SOME_WEIGHT = st.floats(1.0, 150.0)


@LAW
@given(SOME_WEIGHT, st.floats(0.6, 1.05), st.floats(0.0, 2.15), st.floats(0.1, 5.0))
def test_twice_the_load_is_twice_the_movement(force: float, x: float, y: float, times: float) -> None:
    one = leaf_frame(NORTH, Case(weight=False, load=Load(force_n=force, x_m=x, y_m=y)))
    more = leaf_frame(NORTH, Case(weight=False, load=Load(force_n=times * force, x_m=x, y_m=y)))
    both = leaf_frame(NORTH, Case(load=Load(force_n=force, x_m=x, y_m=y)))
    assert more.droop_mm == pytest.approx(times * one.droop_mm, rel=1e-9)
    assert both.droop_mm == pytest.approx(one.droop_mm + leaf_frame(NORTH).droop_mm, rel=1e-9)
    assert both.joints["top-latch"].moment_n_m == pytest.approx(
        one.joints["top-latch"].moment_n_m + leaf_frame(NORTH).joints["top-latch"].moment_n_m, rel=1e-8
    )


@LAW
@given(st.floats(0.5, 2.0))
def test_twice_as_stiff_all_through_moves_half(times: float) -> None:
    """Wood and glue stiffer alike: no force changes. And a heavier leaf moves in proportion."""
    stiff = leaf_frame(replace(NORTH, modulus_pa=times * NORTH.modulus_pa), Case(f_k=0.2 * times))
    sound = leaf_frame(NORTH)
    assert stiff.droop_mm == pytest.approx(sound.droop_mm / times, rel=1e-9)
    assert stiff.joints["lock-hinge"].moment_n_m == pytest.approx(
        sound.joints["lock-hinge"].moment_n_m, rel=1e-8
    )
    bare = replace(NORTH, extras=())
    heavy = leaf_frame(replace(bare, density_kg_m3=times * 674))
    assert heavy.droop_mm == pytest.approx(times * leaf_frame(bare).droop_mm, rel=1e-9)


@LAW
@given(st.floats(0.0, 2.15), st.floats(0.6, 1.05))
def test_upside_down_it_carries_the_same(y: float, x: float) -> None:
    """Leaf, hinges and load mirrored about the middle: turned twice, each joint keeps its moment."""
    rails = tuple(replace(rail, y_m=2.15 - rail.y_m) for rail in reversed(NORTH.rails))
    hinges = tuple(replace(hinge, y_m=2.15 - hinge.y_m) for hinge in NORTH.hinges)
    mirrored = replace(NORTH, rails=rails, hinges=hinges)
    up = leaf_frame(NORTH, Case(weight=False, load=Load(force_n=100.0, x_m=x, y_m=y)))
    down = leaf_frame(mirrored, Case(weight=False, load=Load(force_n=100.0, x_m=x, y_m=2.15 - y)))
    for name, joint in up.joints.items():
        assert down.joints[name].moment_n_m == pytest.approx(joint.moment_n_m, rel=1e-8)
        assert down.joints[name].shear_n == pytest.approx(joint.shear_n, rel=1e-8)


def test_weight_goes_into_the_hinges() -> None:
    """All of it but the hinge leaves, which hang on the edge itself."""
    found, whole = leaf_frame(NORTH), mass(NORTH)
    assert found.pin_bottom_n[1] == pytest.approx(whole.weight_n - 0.9 * GRAVITY_M_S2, rel=1e-9)
    assert found.pin_bottom_n[0] == pytest.approx(whole.weight_n * whole.x_m / 1.65, rel=1e-9)
    assert found.pin_bottom_n[0] + found.pin_top_n[0] == pytest.approx(0.0, abs=1e-6)


def test_another_hinge_may_bear_and_weights_may_hang_on_the_hinge_stile() -> None:
    hinges = tuple(replace(hinge, bears=hinge.y_m == 1.075) for hinge in NORTH.hinges)
    near = Extra(name="closer", mass_kg=2.0, x_m=0.05, y_m=2.0)
    found = leaf_frame(replace(NORTH, hinges=hinges, extras=(*NORTH.extras, near)))
    weight = (mass(NORTH).mass_kg - 0.9 + 2.0) * GRAVITY_M_S2
    assert found.pin_bottom_n[1] == pytest.approx(0.0, abs=1e-9)
    assert sum(joint.shear_n for joint in found.joints.values()) < weight
    assert found.pin_bottom_n[0] == pytest.approx(
        (mass(NORTH).weight_n * mass(NORTH).x_m + 2 * GRAVITY_M_S2 * 0.05) / 1.65, rel=1e-9
    )


def test_given_joint_has_no_index_and_does_not_follow_the_factor() -> None:
    stiff = Given(stiffness_n_m_per_rad=647_040.0)
    rails = (NORTH.rails[0], replace(NORTH.rails[1], joint_hinge=stiff), NORTH.rails[2])
    leaf = replace(NORTH, rails=rails)
    assert leaf_frame(leaf).droop_mm == pytest.approx(leaf_frame(NORTH).droop_mm, rel=1e-12)
    assert leaf_frame(leaf).joints["lock-hinge"].index_pa is None
    assert joint_stiffness(leaf, Case(f_k=1.0))["lock-hinge"] == 647_040.0
    assert joint_stiffness(leaf, Case(left={"lock-hinge": 0.5}))["lock-hinge"] == 323_520.0


def test_glued_panel_switches_the_frame_off() -> None:
    glued = replace(NORTH, panels=(replace(NORTH.panels[0], floats=False), NORTH.panels[1]))
    with refuses(BracedLeafError, asked="moments", needed="panels that float", came="braces the leaf"):
        leaf_frame(glued)


@pytest.mark.parametrize(
    ("left", "needed", "came"),
    [({"lock": 0.5}, "lock-hinge", "'lock'"), ({"lock-hinge": -0.1}, "0 or more", "-0.1")],
)
def test_refuses_a_joint_that_is_not_there(left: dict[str, float], needed: str, came: str) -> None:
    with refuses(OutOfRangeError, asked="", needed=needed, came=came):
        leaf_frame(NORTH, Case(left=left))


def test_heights_that_nearly_meet_do_not_spoil_the_sums() -> None:
    """A weight a hair from a node moves the leaf as one at it; a hinge a hair from a rail likewise."""
    at, near = (
        leaf_frame(NORTH, Case(weight=False, load=replace(TEN_KG, y_m=0.95 + hair))) for hair in (0.0, 1e-7)
    )
    assert near.droop_mm == pytest.approx(at.droop_mm, rel=1e-9)
    moved = [
        leaf_frame(replace(NORTH, hinges=(NORTH.hinges[0], replace(NORTH.hinges[2], y_m=2.09 + hair))))
        for hair in (0.0, 1e-6)
    ]
    assert moved[1].droop_mm == pytest.approx(moved[0].droop_mm, rel=1e-5)


def test_refuses_a_load_off_the_leaf() -> None:
    with refuses(OutOfRangeError, asked="load on the leaf", needed="1.05 by 2.15 m", came="1.2, 0 m"):
        leaf_frame(NORTH, Case(load=replace(TEN_KG, x_m=1.2)))

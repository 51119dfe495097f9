"""Whether a comparison is fair: each known difference, and whether it was taken out."""

from dataclasses import replace

from dashboards.pages import words
from dashboards.pages.facts import DoorFacts
from dashboards.pages.pairs import Asked, Compared
from dashboards.pages.unlike import Unlike, unlike
from server.inspection.comparing import UNCOUNTED, Pair, SeenSoFar, Used
from server.inspection.comparing import Asked as AskedOf
from server.inspection.paired import DoorSeries
from server.trend.compare import Comparison
from server.trend.together import Shares
from tests.dashboards import yard
from tests.inspection.doors import Truth, made_inputs
from tests.inspection.used import counted

NB = words.NBSP


def rows(
    a: DoorFacts | None = None,
    b: DoorFacts | None = None,
    *,
    name: str = "lock-hinge",
    shares: Shares | None = None,
    use: Used = UNCOUNTED,
) -> dict[str, Unlike]:
    empty = DoorSeries(inputs=made_inputs(Truth(years=0.1)), series={}, watches={})
    asked = AskedOf(keys=(f"turn:{name}",) * 2, moments_n_m=(71.7, 66.5))
    seen = SeenSoFar(asked=asked, said=Comparison(status="served", shares=shares), look=None, years=3)
    told = Compared(
        asked=Asked(a=a or yard.told(), b=b or yard.told("south", door_id=2), name=name),
        pair=Pair(a=empty, b=empty, asked={}, use=use),
        name=name,
        seen=seen,
        droop=None,
        per_openings=None,
    )
    return {row.what: row for row in unlike(told)}


def test_what_a_joint_carries_is_taken_out() -> None:
    found = rows()
    assert found["Joint"].first == "One deep mortise and tenon"
    carried = found["Carried at this joint"]
    assert (carried.first, carried.second) == (f"72{NB}N·m", f"66{NB}N·m")
    assert carried.effect.startswith("Taken out")
    assert found["Leaf"].effect == "No difference: one size."
    assert found["Damp in the wood, year’s swing"].first == f"4.3{NB}%"


def test_of_droop_it_is_not() -> None:
    carried = rows(name="droop")["Carried at the joint that carries most"]
    assert carried.first == f"72{NB}N·m at the lock rail, hinge side"
    assert carried.effect.startswith("Not taken out")


def test_a_wider_leaf_and_another_timber_are_said() -> None:
    other = yard.told("south", door_id=2)
    built = replace(other.door.built, width_mm=900, species="oak")
    changed = rows(b=replace(other, door=replace(other.door, built=built)))
    assert changed["Leaf"].effect == "Taken out as far as it changes what the joint carries."
    assert changed["Timber"].effect.startswith("Not taken out")
    wide = rows(b=replace(other, door=replace(other.door, built=built)), name="droop")
    assert "a wider leaf" in wide["Leaf"].effect


def test_what_both_share_is_taken_out_where_it_is_found() -> None:
    assert rows()["What moves both alike"].effect == "Not reckoned."
    assert rows(shares=Shares())["What moves both alike"].effect.startswith("None found")
    assert "taken out" in rows(shares=Shares(level=0.4))["What moves both alike"].effect


def test_openings_are_shown_where_they_are_counted() -> None:
    assert rows()["Openings a day"].first == "Not recorded"
    found = rows(use=(counted(31, is_at_least=True), counted(31)))["Openings a day"]
    assert (found.first, found.second) == ("At least about 31", "About 31")
    assert found.effect.startswith("Not taken out: a year is compared.")


def test_doors_hung_apart_say_so() -> None:
    late = rows(b=yard.told("south", door_id=2, years=3))
    assert "apart" in late["Hung"].effect
    assert rows()["Hung"].effect == "None to speak of."

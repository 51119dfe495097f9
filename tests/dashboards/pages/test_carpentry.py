"""What the page says of a door as built."""

import re
from dataclasses import replace

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine

from dashboards.pages import words
from dashboards.pages.carpentry import NO_TEST, built_view, kit_words, meter_words
from dashboards.pages.facts import DoorFacts
from server.database import session_of
from server.doors.bench_tables import LoadTestRow
from server.doors.built import BuiltDoor
from server.doors.kits import metered_of
from server.doors.load_tests import LoadTest
from server.doors.register import find_door
from tests.dashboards import yard
from tests.dashboards.conftest import HOST

NB = words.NBSP
NORTH = "/doors/saltmarsh-yard/north"


def made(day: str, f_k: float, *, beyond: str | None = None) -> LoadTest:
    return LoadTest(
        id=1, day=day, place="hung", state="glued", mass_kg=10, strap_mm=0, cycles=5, rack_mm=0.085,
        sd_mm=0.005, f_k=f_k, low=f_k * 0.9, high=f_k * 1.1, sd_ln=0.1, beyond=beyond,
    )  # fmt: skip


def of(built_change: dict[str, object], told: DoorFacts | None = None) -> DoorFacts:
    facts = told or yard.told()
    built = replace(facts.door.built, **built_change)  # type: ignore[arg-type]  # fields of BuiltDoor, by use
    return replace(facts, door=replace(facts.door, built=built))


def test_what_each_joint_carries_is_the_published_moment() -> None:
    view = built_view(yard.told())
    assert view.weight.startswith(f"It weighs 54.6{NB}kg. The top hinge is pulled by 172{NB}N")
    assert [row.place for row in view.carried][:3] == [
        "Top rail, hinge side",
        "Top rail, latch side",
        "Lock rail, hinge side",
    ]
    lock = view.carried[2]
    # joinery's demo: 71.734 N m there, 63.2 to 75.1 over the stiffness factors 0.05 to 1
    assert (lock.moment, lock.between) == (f"72{NB}N·m", "63 to 75")
    assert lock.open_at == f"0.17{NB}mrad"
    assert (
        "from usual practice, as no load test is kept: factor 0.2, between 0.05 and 1."
        in view.carried_caption
    )
    assert "it is no strength" in view.carried_caption


def test_a_load_test_is_said_with_its_day_and_narrows() -> None:
    facts = replace(yard.told(), tests=(made("2026-05-02", 0.128),))
    view = built_view(facts)
    assert (
        f"the load test of 2{NB}May{NB}2026: factor 0.128, between 0.115 and 0.141." in view.carried_caption
    )
    (row,) = view.tests
    assert (row.place, row.joints, row.rack, row.factor) == ("Hung", "Glued", f"0.085{NB}mm", "0.128")
    low, high = (int(end) for end in view.carried[2].between.split(" to "))
    assert 63 < low <= int(view.carried[2].moment.split(NB)[0]) <= high < 72  # 71.7 at the usual 0.2


def test_a_fallen_factor_is_said_and_the_newest_is_first() -> None:
    pair = (made("2025-05-02", 0.16), made("2026-05-02", 0.1))
    view = built_view(replace(yard.told(), tests=pair))
    assert "fell from 0.16 to 0.1, by more" in view.tests_note
    assert [row.iso for row in view.tests] == ["2026-05-02", "2025-05-02"]
    steady = built_view(replace(yard.told(), tests=(pair[0], made("2026-05-02", 0.15))))
    assert "none has fallen so" in steady.tests_note
    assert built_view(yard.told()).tests_note == NO_TEST


def test_a_factor_at_the_model_s_bound_says_so() -> None:
    (row,) = built_view(replace(yard.told(), tests=(made("2026-05-02", 0.05, beyond="softer"),))).tests
    assert row.said == "Softer than the model covers"


def test_a_braced_leaf_says_why_nothing_is_carried() -> None:
    panels = tuple(replace(panel, floats=False) for panel in yard.told().door.built.panels)
    view = built_view(of({"panels": panels}))
    assert view.carried == ()
    assert view.carried_caption.startswith("What each joint carries is not known: it needs panels that float")


def test_a_whole_kit_tells_all_and_names_the_joints_without_gauges() -> None:
    said = kit_words(yard.told())
    assert said[0].startswith("Its gauges tell the turn on the hinges, the rack and the droop apart")
    assert "top rail, latch side" in said[1]


def test_a_kit_that_lacks_says_which_gauge_would_help() -> None:
    facts = yard.told()
    kept = tuple(gauge for gauge in facts.door.built.gauges if gauge.kind in ("head", "latch"))
    leans = replace(facts.door.built.opening, kind="leans")
    said = kit_words(of({"gauges": kept, "opening": leans}))
    assert said[0] == (
        "How far it is out of square is not told by these gauges: both crossing diagonals would tell it."
    )
    assert not any(one.startswith("How far it has turned") for one in said)


def test_the_page_shows_it(two_doors: Engine, client: FlaskClient) -> None:
    page = client.get(NORTH, base_url=HOST).get_data(as_text=True)
    for part in (
        "What it carries",
        "What its gauges can and can’t tell",
        "Load tests",
        NO_TEST,
        "72\u00a0N·m",
    ):
        assert part in page, part
    with session_of(two_doors) as session:
        door = find_door(session, "north")
        row = {name: getattr(made("2026-05-02", 0.128), name) for name in LoadTest.__slots__ if name != "id"}
        session.add(LoadTestRow(door_id=door.id, body="{}", added=yard.NOW, **row))
    page = client.get(NORTH, base_url=HOST).get_data(as_text=True)
    assert NO_TEST not in page
    assert re.search(r'<time datetime="2026-05-02">2\u00a0May\u00a02026</time>', page)
    assert "a door is sound" in page


@pytest.mark.parametrize("bad", ["nan", "None", "inf"])
def test_no_bad_number_is_said_of_a_bare_door(bad: str) -> None:
    view = built_view(of({"gauges": (), "extras": ()}))
    text = " ".join([view.weight, view.carried_caption, *view.kit, *(row.moment for row in view.carried)])
    assert not re.search(rf"\b{bad}\b", text)


def test_what_a_meter_would_change_is_on_the_page() -> None:
    unread = metered_of(_with_kit_a(None))
    (said,) = meter_words(unread)
    assert said.startswith("Its moisture was not read with a meter when it was hung.")
    assert f"on no day, with a reading good to 1{NB}% within " in said
    (read,) = meter_words(metered_of(_with_kit_a(12.5)))
    assert f"was read with a meter when it was hung, 12.5{NB}%" in read
    assert "without that reading on no day" in read
    assert meter_words(metered_of(yard.built("north"))) == []


def _with_kit_a(pct: float | None) -> BuiltDoor:
    made = yard.built("north")
    kept = tuple(one for one in made.gauges if one.kind in ("head", "latch"))
    sd_pct = None if pct is None else 1.0
    return replace(made, gauges=kept, moisture_at_hanging_pct=pct, moisture_at_hanging_sd_pct=sd_pct)

"""Marks and steps on a door's line."""

import pytest
from sqlalchemy import Engine

from dashboards.pages import noticed, words
from dashboards.pages.facts import DoorFacts
from dashboards.pages.noticed import Tick
from server.database import session_of
from server.doors.marks import Mark
from server.inspection.felt import Felt
from server.inspection.found.told import day_text
from server.inspection.results import Slot, save, scope_of
from server.inspection.values import Inspection
from tests.dashboards import yard
from tests.dashboards.conftest import HOST, app_over, looks_of
from tests.inspection.doors import HUNG, HUNG_DAY
from tests.inspection.test_felt import EARLY, METER, hung_with, tell

NB = words.NBSP
DAY = yard.TODAY - 300  # 28 January 2026


def told_of(steps: dict[str, list[list[float]]]) -> DoorFacts:
    return yard.told(
        results={key: yard.result(key, facts={"found_steps": rows}) for key, rows in steps.items()}
    )


def mark(day: int, kind: str) -> Mark:
    return Mark(t_ms=day * 86_400_000, kind=kind, text="", by="keeper")


def test_one_knock_seen_in_two_movements_is_one_step() -> None:
    told = told_of({"droop": [[DAY, 0.21, 0.02]], "turn:lock-hinge": [[DAY + 2, 0.05, 0.01]]})
    (one,) = noticed.found_steps(told, [])
    assert one.said == (
        f"A step of 0.21{NB}mm down on 28{NB}January{NB}2026. Nobody has logged why. "
        "It shows in 1 other movement too."
    )


def test_each_movement_has_its_own_way() -> None:
    told = told_of({"droop": [[DAY, -0.21, 0.02]], "opening:top-hinge": [[DAY + 40, -0.05, 0.01]]})
    said = [one.said for one in noticed.found_steps(told, [])]
    assert said[0].startswith(f"A step of 0.21{NB}mm up on")
    assert said[1].startswith(f"A step of 0.05{NB}mm closed in the opening of the top rail, hinge side, on")


def test_a_slam_felt_beside_a_step_is_said_and_proposed_as_its_mark() -> None:
    found = noticed.found_steps(told_of({"droop": [[DAY, 0.21, 0.02], [DAY + 40, 0.1, 0.02]]}), [])
    felt = noticed.with_slams(found, {DAY: Felt(day=DAY - 1, is_hardest=False)})
    assert felt[0].said == f"{found[0].said} A slam was felt the day before."
    assert [one.mark for one in felt] == ["slam", "note"]
    assert felt[1] == found[1]


def test_a_step_beside_a_mark_is_logged() -> None:
    told = told_of({"droop": [[DAY, 0.21, 0.02]]})
    assert noticed.found_steps(told, [mark(DAY - 7, "hinge packed")]) == []
    assert len(noticed.found_steps(told, [mark(DAY - 8, "hinge packed")])) == 1
    assert (
        len(noticed.found_steps(told, [mark(DAY, "thinned")])) == 1
    )  # noticed by the service, not by a person


def test_ticks_are_marks_that_move_the_line_and_steps_that_are_found() -> None:
    told = told_of({"droop": [[DAY, 0.21, 0.02]], "turn:lock-hinge": [[DAY - 100, 0.05, 0.01]]})
    made = [mark(DAY - 50, "eased"), mark(DAY - 40, "finish")]
    assert noticed.ticks(told, made) == (Tick(day=DAY - 50, is_found=False), Tick(day=DAY, is_found=True))


@pytest.mark.parametrize(("day", "kind", "beside"), [(150, "slam", True), (160, "note", False)])
def test_the_page_says_it_and_proposes_the_mark(engine: Engine, day: int, kind: str, *, beside: bool) -> None:
    """The door's meter felt its hardest slam of the month on its 150th day."""
    facts: dict[str, object] = {"found_steps": [[HUNG_DAY + day, 0.21, 0.02]]}
    with session_of(engine) as session:
        door = hung_with(session, METER)
        tell(session, door, EARLY | {150: 20.0})
        looked = Slot(scope=scope_of(door.id), slot="2021-11-24", looked=HUNG, until_ms=0, took_s=0.1)
        series = looks_of({"droop": yard.result("droop", facts=facts)})
        save(session, Inspection(findings=(), series=series), looked, door_id=door.id)
    page = app_over(engine).test_client().get("/doors/saltmarsh-yard/north", base_url=HOST).text
    assert f"hangtrue mark saltmarsh-yard/north {kind} --on {day_text(HUNG_DAY + day)}" in page
    assert ("Nobody has logged why. The hardest slam of that month fell on the same day." in page) is beside

"""Marks and steps on a door's line."""

from dashboards.pages import noticed, words
from dashboards.pages.facts import DoorFacts
from dashboards.pages.noticed import Tick
from server.doors.marks import Mark
from tests.dashboards import yard

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

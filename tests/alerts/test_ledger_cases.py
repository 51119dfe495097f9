"""The shorter published cases through the ledger itself, on both databases."""

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tests.alerts.cases import nights_of, of_kind
from tests.alerts.yard import played

LONGEST = 9
PLAIN = ("run-", "weight-", "flood-")  # one count each, which test_rules.py sees as well
CASES = [
    case
    for case in of_kind("nights")
    if sum(1 for _ in nights_of(case)) <= LONGEST and not case["name"].startswith(PLAIN)
]
LATE = {"late-readings-contradict", "late-readings-change-nothing", "late-readings-raise"}


def test_published_cases(engine: Engine) -> None:
    """One database for all: each case is taken back when it was compared."""
    wrong: list[tuple[str, object, object]] = []
    for case in CASES:
        expect = case["expect"]
        with Session(engine) as session:
            yard = played(session, case)
            if yard.events() != sorted(expect.get("events", yard.events())):
                wrong.append((case["name"], yard.events(), expect["events"]))
            if yard.standing() != sorted(expect.get("standing", yard.standing())):
                wrong.append((case["name"], yard.standing(), expect["standing"]))
            if yard.refusals != expect.get("refusals", yard.refusals):
                wrong.append((case["name"], yard.refusals, expect["refusals"]))
            session.rollback()
    assert wrong == []


def test_the_shorter_cases_have_every_kind_of_act() -> None:
    acts = {act["act"] for case in CASES for one in nights_of(case) for act in one.acts}
    assert acts == {"seen", "leave", "close", "mark", "retire"}
    assert {case["name"] for case in CASES} >= LATE
    assert len(CASES) == 79

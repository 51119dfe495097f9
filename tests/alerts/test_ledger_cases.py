"""The shorter published cases through the ledger: on SQLite all, on PostgreSQL those that ask for more.

There go the cases in which people act, readings come late or more than one alert is told; the rules
themselves know of no database, and test_rules.py plays every case.
"""

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tests.alerts.cases import Case, nights_of, of_kind
from tests.alerts.yard import Yard
from tests.inspection.doors import Truth, one_joint
from tests.inspection.stored import stored_door

LONGEST = 9
PLAIN = ("run-", "weight-", "flood-")  # one count each, which test_rules.py sees as well
CASES = [
    case
    for case in of_kind("nights")
    if sum(1 for _ in nights_of(case)) <= LONGEST and not case["name"].startswith(PLAIN)
]
LATE = {"late-readings-contradict", "late-readings-change-nothing", "late-readings-raise"}


def asks_for_more(case: Case) -> bool:
    """Whether it reads or changes more of the tables than a night that raises one alert."""
    nights = list(nights_of(case))
    causes = {tuple(event[3:4]) for event in case["expect"].get("events", ())}
    return any(one.acts or one.late for one in nights) or len(causes) > 1


def test_published_cases(engine: Engine) -> None:
    """One database and one door for all: each case is taken back when it was compared."""
    wrong: list[tuple[str, object, object]] = []
    with Session(engine) as session, session.begin():
        door = stored_door(session, Truth(years=0.0), one_joint())
    for case in CASES if engine.dialect.name == "sqlite" else filter(asks_for_more, CASES):
        expect = case["expect"]
        with Session(engine) as session:
            yard = Yard(session=session, door=door, boxes=case.get("nodes", 0), hung={door.name: door})
            for one in nights_of(case):
                yard.look(one)
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
    assert (len(CASES), sum(map(asks_for_more, CASES))) == (79, 25)

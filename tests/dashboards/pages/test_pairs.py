"""Which doors are compared, and that a pair is solved once while its looks stand."""

from datetime import timedelta

import pytest
from sqlalchemy import Engine, update

from dashboards.pages.ours import all_facts
from dashboards.pages.pairs import NAME, Compared, asked_for, band_of, compared
from server.database import Session
from server.errors import OutOfRangeError, UnknownDoorError
from server.inspection.tables import InspectionRow
from tests.dashboards import yard
from tests.dashboards.conftest import app_over
from tests.refusals import refuses

NORTH, SOUTH = "saltmarsh-yard/north", "saltmarsh-yard/south"


def test_without_a_choice_the_first_two_by_name() -> None:
    told = [yard.told("south", door_id=2), yard.told("north")]
    asked = asked_for(told, {})
    assert asked is not None
    assert (asked.a.door.name, asked.b.door.name, asked.name, asked.band) == ("north", "south", None, None)
    turned = asked_for(told, {"a": SOUTH, "b": NORTH, "joint": "droop", "band": "0,05"})
    assert turned is not None
    assert (turned.a.door.name, turned.name, turned.band) == ("south", "droop", 0.05)
    assert asked_for(told[:1], {}) is None


def test_a_door_that_does_not_hang_here_is_refused() -> None:
    told = [yard.told("south", door_id=2), yard.told("north")]
    with refuses(UnknownDoorError, asked="compare two doors", needed="doors that are hung here", came="west"):
        asked_for(told, {"a": "saltmarsh-yard/west"})


@pytest.mark.parametrize("text", ["0", "-0.1", "much", "nan", "inf", "1e9"])
def test_a_band_is_a_number_above_none(text: str) -> None:
    with pytest.raises(OutOfRangeError):
        band_of(text)
    assert band_of(" ") is None


def test_a_pair_is_solved_once_until_one_of_its_doors_is_looked_at(paired: Engine) -> None:
    app = app_over(paired)

    def told() -> Compared:
        with app.test_request_context(), Session(paired) as session:
            asked = asked_for(all_facts(session), {})
            assert asked is not None
            return compared(session, asked)

    first, again = told(), told()
    assert first.name == "lock-hinge"
    assert again.seen.said is first.seen.said
    with Session(paired) as session, session.begin():
        session.execute(update(InspectionRow).values(looked=yard.NOW - timedelta(days=1)))
    assert told().pair is not first.pair
    assert len(app.extensions[NAME].pairs) == 2


def test_a_joint_that_both_do_not_watch_is_refused(paired: Engine) -> None:
    with app_over(paired).test_request_context(), Session(paired) as session:
        asked = asked_for(all_facts(session), {"joint": "top-hinge"})
        assert asked is not None
        with refuses(
            OutOfRangeError, asked="compare at a joint", needed="one of lock-hinge, droop", came="'top-hinge'"
        ):
            compared(session, asked)

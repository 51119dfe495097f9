"""Which sealed trial belongs to two doors."""

import pytest
from sqlalchemy.orm import Session

from server.doors.register import DoorHung
from server.inspection.declared_for import trial_of
from server.trials.store import withdraw
from tests.fakes.clock import HandClock
from tests.inspection.doors import one_joint
from tests.trials.yard import declaration, pairs, sealed

DOORS = (one_joint("north"), one_joint("south"))


def side(door: str) -> dict[str, object]:
    return {"door": door, "version": 1, "joints": ["lock-hinge"], "moment_n_m": "70"}


def of_two(session: Session, **changes: object) -> str:
    return sealed(session, pairs=[{"a": side("north"), "b": side("saltmarsh-yard/south")}], **changes)


def seal_for(session: Session, name: str, doors: tuple[DoorHung, DoorHung] = DOORS) -> str | None:
    found = trial_of(session, doors, name)
    return None if found is None else found.seal


def test_it_is_found_whichever_door_comes_first(session: Session) -> None:
    seal = of_two(session)
    assert seal_for(session, "lock-hinge") == seal
    assert seal_for(session, "lock-hinge", DOORS[::-1]) == seal


@pytest.mark.parametrize("name", ["top-hinge", "droop"])
def test_it_speaks_of_its_joint_and_quantity_alone(session: Session, name: str) -> None:
    of_two(session)
    assert seal_for(session, name) is None


def test_a_trial_of_droop_is_of_the_droop(session: Session) -> None:
    seal = of_two(session, quantity="droop")
    assert seal_for(session, "droop") == seal
    assert seal_for(session, "lock-hinge") is None


def test_a_trial_of_more_pairs_says_nothing_of_these_two(session: Session) -> None:
    sealed(session, pairs=[{"a": side("north"), "b": side("south")}, *pairs(1)])
    assert seal_for(session, "lock-hinge") is None


def test_a_withdrawn_one_is_not_it(session: Session) -> None:
    withdraw(session, of_two(session), reason="sold", by="M. Hale", clock=HandClock())
    assert seal_for(session, "lock-hinge") is None
    assert declaration()

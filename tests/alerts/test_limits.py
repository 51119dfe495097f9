"""Limits set for a door: from a night on, in the order that a step can end, kept for what was counted."""

import pytest
from sqlalchemy import Engine

from server.alerts import ledger
from server.alerts.ledger import Night, record
from server.alerts.limits import limits_of, set_limits, views_of
from server.alerts.verdicts import Limits
from server.database import session_of
from server.errors import OutOfRangeError, SettingsError
from server.inspection.values import Finding, Inspection
from tests.alerts.delivery.stored import AT, yard
from tests.refusals import refuses


def test_a_limit_holds_from_its_night_on(engine: Engine) -> None:
    with session_of(engine) as session:
        door = yard(session)
        (one,) = set_limits(session, door.id, {"near_mm": 1.2}, since="2027-03-03", at=AT, by="command")
        assert (one.value, one.default, one.since) == (1.2, 1.0, "2027-03-03")
        assert limits_of(session, door.id, "2027-03-02") == Limits()
        assert limits_of(session, door.id, "2027-03-03").near_mm == 1.2
        assert limits_of(session, door.id, "2027-03-03T05").near_mm == 1.2
        assert limits_of(session, None, "2027-03-04") == Limits()
        set_limits(session, door.id, {"near_mm": None}, since="2027-03-05", at=AT, by="command")
        assert limits_of(session, door.id, "2027-03-04").near_mm == 1.2
        assert limits_of(session, door.id, "2027-03-05") == Limits()
        assert {view.since for view in views_of(session, door.id)} == {None}


def test_the_same_again_is_not_written(engine: Engine) -> None:
    with session_of(engine) as session:
        door = yard(session)
        assert set_limits(session, door.id, {"near_mm": 1.2}, since="2027-03-03", at=AT, by="command")
        assert set_limits(session, door.id, {"near_mm": 1.2}, since="2027-03-09", at=AT, by="command") == []
        assert limits_of(session, door.id, "2027-03-03").near_mm == 1.2


@pytest.mark.parametrize(
    ("given", "kind", "asked", "needed", "came"),
    [
        ({"nearly_mm": 1.0}, SettingsError, "set a limit of a door", "one of watch_stays_mrad", "nearly_mm"),
        ({"disk_low_mib": 1.0}, SettingsError, "set a limit of a door", "one of watch", "disk_low_mib"),
        ({"near_mm": -0.1}, OutOfRangeError, "set near_mm", "a number from 0", "-0.1"),
        ({"near_mm": float("nan")}, OutOfRangeError, "set near_mm", "a number from 0", "nan"),
        ({"near_mm": 1.4}, OutOfRangeError, "near_gone_mm", "so that a step can end", "1.4 and 1.3"),
        (
            {"near_mm": 0.2},
            OutOfRangeError,
            "set near_mm and close_mm",
            "the milder is said first",
            "0.2 and 0.5",
        ),
        ({"watch_stays_gone_mrad": 0.2}, OutOfRangeError, "watch", "to be at most watch_stays_mrad", "0.1"),
    ],
)
def test_refusals(
    engine: Engine,
    given: dict[str, float | None],
    kind: type[SettingsError | OutOfRangeError],
    asked: str,
    needed: str,
    came: str,
) -> None:
    with session_of(engine) as session:
        door = yard(session)
        with refuses(kind, asked=asked, needed=needed, came=came):
            set_limits(session, door.id, given, since="2027-03-03", at=AT, by="command")
        assert limits_of(session, door.id, "2027-03-03") == Limits()


def test_both_of_a_pair_can_be_moved_at_once(engine: Engine) -> None:
    with session_of(engine) as session:
        door = yard(session)
        both: dict[str, float | None] = {"near_mm": 1.4, "near_gone_mm": 1.6}
        assert len(set_limits(session, door.id, both, since="2027-03-03", at=AT, by="command")) == 2


@pytest.mark.parametrize(("limit_mm", "stands"), [(None, []), (1.5, ["frame_near"])])
def test_a_look_is_judged_by_what_was_set(engine: Engine, limit_mm: float | None, stands: list[str]) -> None:
    finding = Finding(topic="frame", about="north/head", evidence={"margin_mm": 1.2})
    with session_of(engine) as session:
        door = yard(session)
        if limit_mm is not None:
            wide: dict[str, float | None] = {"near_mm": limit_mm, "near_gone_mm": 2.0}
            set_limits(session, door.id, wide, since="2027-03-03", at=AT, by="command")
        for night in ("2027-03-03", "2027-03-04", "2027-03-05"):
            record(session, Inspection(findings=(finding,)), door=door, night=Night(slot=night, at=AT))
        assert [view.step for view in ledger.standing(session)] == stands

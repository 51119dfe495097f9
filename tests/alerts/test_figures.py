"""Looks and alerts in figures."""

from sqlalchemy import Engine

from server.alerts.figures import alert_figures
from server.database import session_of
from server.inspection.results import Slot, save
from server.inspection.values import Finding, Inspection
from tests.alerts.delivery.stored import AT, happens, raised, yard


def test_what_was_looked_at_and_what_stands(engine: Engine) -> None:
    judged = Finding(topic="joint", about="north/lock-hinge", evidence={})
    asked = Finding(topic="leaf", about="north", evidence={}, unjudged="first year")
    with session_of(engine) as session:
        door = yard(session)
        for slot, found, status in (
            ("2027-03-01", (judged,), "done"),
            ("2027-03-02", (judged, asked), "done"),
            ("2027-03-02T05", (judged,), "failed"),
        ):
            when = Slot(
                scope=f"door/{len(slot)}", slot=slot, looked=AT, until_ms=0, took_s=0.5, status=status
            )
            save(session, Inspection(findings=found), when)
        raised(session, door)
        happens(session, raised(session, door, about="north/top-hinge"), "ended", "2027-03-03")
        told = alert_figures(session)
    assert told.looks == {"done": 2, "failed": 1}
    assert (told.took_s, told.last) == (1.5, AT)
    assert told.findings == {("joint", "judged"): 1, ("leaf", "unjudged"): 1}
    assert told.standing == {"today": 1, "soon": 0, "note": 0}
    assert told.events == {"raised": 2, "ended": 1}


def test_an_empty_yard(engine: Engine) -> None:
    with session_of(engine) as session:
        told = alert_figures(session)
    assert (told.looks, told.took_s, told.last, told.findings, told.events) == ({}, 0.0, None, {}, {})

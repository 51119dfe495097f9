"""Which causes a mark counts anew."""

from datetime import date

import pytest

from server.alerts.marking import Mark, counts_anew, night_of


@pytest.mark.parametrize(
    ("kind", "about", "anew"),
    [
        ("planed", "north", {"frame"}),
        ("hinge packed", "north", {"frame"}),
        ("rehung", "north", {"frame", "leaf"}),
        ("repaired", "north/lock-hinge", {"joint", "leaf"}),
        ("repaired", "north", {"leaf"}),
        ("repaired", "north/top-hinge", {"leaf"}),
        ("gauge changed", "north/top", {"gauge"}),
        ("finish", "north", set()),
        ("calibrated", "north", set()),
        ("rehung", "south", set()),
    ],
)
def test_counted_anew(kind: str, about: str, anew: set[str]) -> None:
    causes = {
        "joint": "north/lock-hinge",
        "leaf": "north",
        "frame": "north/head",
        "gauge": "north/top",
        "step": "north/lock-hinge@2027-03-01",
        "check": "north",
    }
    mark = Mark(kind=kind, about=about, night="2027-03-02")
    assert {topic for topic, name in causes.items() if counts_anew(mark, topic, name)} == anew


def test_a_look_sees_a_day_when_it_has_ended() -> None:
    assert night_of(date(2027, 2, 28)) == "2027-03-01"

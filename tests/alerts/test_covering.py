"""What covers what."""

from dataclasses import dataclass

import pytest

from server.alerts.covering import cover


@dataclass(frozen=True)
class Stands:
    id: int
    topic: str
    about: str
    step: str


def alert(number: int, said: str) -> Stands:
    step, _, cause = said.partition(" ")
    topic, _, about = cause.partition(":")
    return Stands(id=number, topic=topic, about=about, step=step)


@pytest.mark.parametrize(
    ("above", "below", "covers"),
    [
        ("disk_full disk:yard", "intake_failing intake:yard", True),
        ("disk_full disk:yard", "backup_late backup:yard", True),
        ("disk_low disk:yard", "backup_late backup:yard", False),
        ("intake_failing intake:yard", "node_silent heard:north", True),
        ("intake_failing intake:yard", "site_silent site:yard", True),
        ("site_silent site:yard", "node_silent heard:north", True),
        ("node_silent heard:south", "node_silent heard:north", False),
        ("joint_opening joint:north/lock-hinge", "leaf_over leaf:north", True),
        ("joint_watch joint:north/lock-hinge", "leaf_over leaf:north", False),
        ("joint_open joint:south/lock-hinge", "leaf_over leaf:north", False),
        ("joint_open joint:north/lock-hinge", "step_unlogged step:north/lock-hinge@2027-03-01", True),
        ("joint_open joint:north/top-hinge", "step_unlogged step:north/lock-hinge@2027-03-01", False),
        ("slam slam:north@2027-03-01", "step_unlogged step:north/head@2027-03-02", True),
        ("slam slam:north@2027-03-01", "step_unlogged step:north/head@2027-02-28", True),
        ("slam slam:north@2027-03-01", "step_unlogged step:north/head@2027-03-03", False),
        ("slam slam:south@2027-03-01", "step_unlogged step:north/head@2027-03-01", False),
        ("gauge_doubt gauge:north/head-latch", "step_unlogged step:north/head-latch@2027-03-01", True),
        ("gauge_out gauge:north/head-latch", "step_unlogged step:north/head@2027-03-01", False),
        ("joint_open joint:north/lock-hinge", "frame_near frame:north/head", False),
    ],
)
def test_one_covers_the_other(above: str, below: str, covers: bool) -> None:
    assert cover([alert(1, above), alert(2, below)]) == ({2} if covers else set())
    assert cover([alert(1, below)]) == set()

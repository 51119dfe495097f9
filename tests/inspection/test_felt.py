"""A slam that a door's meter felt beside a found step."""

from dataclasses import replace

import numpy as np
import pytest
from sqlalchemy import insert
from sqlalchemy.orm import Session

from server.doors.built import Gauge
from server.doors.register import DoorHung, add_door, enrol_node
from server.inspection.felt import Felt, felt_beside, with_slams
from server.inspection.found.told import day_text
from server.inspection.values import Finding, Inspection
from server.readings.months import ensure_months
from server.readings.tables import Reading, RollupDay
from tests.inspection.doors import HUNG, HUNG_DAY, one_joint

DAY_MS = 86_400_000
METER = Gauge(channel="slam", kind="slam", unit="m/s2")
# Peaks of four instants a day, the first two of each day soft; of the early ones 2 in 364 are above 8.
EARLY = {20: 9.0, 60: 10.0}


def hung_with(session: Session, *gauges: Gauge) -> DoorHung:
    asked = one_joint()
    built = replace(asked.built, gauges=(*asked.built.gauges, *gauges))
    enrol_node(session, built.site, built.node, kind="tracked", zone="Europe/London", now=HUNG)
    return add_door(session, built, now=HUNG)


def tell(session: Session, door: DoorHung, greatest: dict[int, float], *, days: int = 200) -> None:
    """Peaks of 4 m/s² and less, and those of some days since hanging; stored and rolled up."""
    moments = [(HUNG_DAY + day) * DAY_MS for day in range(0, days + 20, 20)]
    ensure_months(session.get_bind().engine, moments, set())
    channel = door.channels["slam"].id
    peaks = {day: [1.0, 2.0, 3.0, greatest.get(day, 4.0)] for day in range(days)}
    rows = [
        {"channel_id": channel, "t_ms": (HUNG_DAY + day) * DAY_MS + k * DAY_MS // 4, "value": peak}
        for day, found in peaks.items()
        for k, peak in enumerate(found)
    ]
    session.execute(insert(Reading), rows)
    rolled = [
        {
            "channel_id": channel,
            "day": HUNG_DAY + day,
            "n": 4,
            "mean": float(np.mean(found)),
            "m2": 0.0,
            "low": 1.0,
            "high": max(found),
            "first_ms": 0,
            "last_ms": 0,
        }
        for day, found in peaks.items()
    ]
    session.execute(insert(RollupDay), rolled)


@pytest.fixture
def door(session: Session) -> DoorHung:
    """North with a meter; blows on days 150, 170 and 171."""
    door = hung_with(session, METER)
    tell(session, door, EARLY | {150: 20.0, 170: 15.0, 171: 12.0})
    return door


@pytest.mark.parametrize(
    ("day", "slam"),
    [
        (150, Felt(day=150, is_hardest=True)),
        (151, Felt(day=150, is_hardest=True)),
        (152, None),
        (149, None),
        (170, Felt(day=170, is_hardest=False)),  # that of day 150 lies within its month
        (171, Felt(day=171, is_hardest=False)),
        (160, None),
    ],
)
def test_a_slam_on_the_day_or_on_the_day_before(
    session: Session, door: DoorHung, day: int, slam: Felt | None
) -> None:
    wanted = {} if slam is None else {HUNG_DAY + day: replace(slam, day=HUNG_DAY + slam.day)}
    assert felt_beside(session, door, [HUNG_DAY + day]) == wanted


def test_a_door_without_a_meter_feels_none(session: Session) -> None:
    assert felt_beside(session, hung_with(session), [HUNG_DAY + 150]) == {}


def test_before_its_own_level_is_known_none_is_felt(session: Session) -> None:
    door = hung_with(session, METER)
    tell(session, door, {8: 30.0}, days=12)
    assert felt_beside(session, door, [HUNG_DAY + 8]) == {}


def step(day: int, **more: object) -> Finding:
    about = f"north/droop@{day_text(HUNG_DAY + day)}"
    return Finding(topic="step", about=about, evidence={"found": True, "size": 0.2, **more})


def test_a_found_step_says_so(session: Session, door: DoorHung) -> None:
    other = Finding(topic="slam", about=f"north@{day_text(HUNG_DAY + 150)}", evidence={"channels": 2})
    asked = Inspection(findings=(step(151), step(160), step(150, found=False), other))
    told = with_slams(session, door, asked).findings
    assert told[0].evidence == {
        **step(151).evidence,
        "slam_on": day_text(HUNG_DAY + 150),
        "slam_is_hardest": True,
    }
    assert told[1:] == asked.findings[1:]


def test_what_was_felt_once_is_not_asked_again(session: Session, door: DoorHung) -> None:
    asked = Inspection(findings=(step(150, slam_on="2021-01-01", slam_is_hardest=False),))
    assert with_slams(session, door, asked) is asked

"""A door's use from its counter's readings, as the store has them."""

from dataclasses import replace

import numpy as np
import pytest
from sqlalchemy import insert
from sqlalchemy.orm import Session

from server.doors.built import Gauge
from server.doors.register import DoorHung, add_door, enrol_node
from server.inspection.use import (
    daily_slams,
    daily_use,
    is_counted,
    openings_a_year,
    use_between,
    use_seen,
)
from server.readings.months import ensure_months
from server.readings.tables import Reading
from tests.inspection.doors import HUNG, HUNG_DAY, one_joint

DAY_MS = 86_400_000
HOUR_MS = 3_600_000


@pytest.fixture
def door(session: Session) -> DoorHung:
    """North with a counter and a meter."""
    asked = one_joint()
    more = (
        Gauge(channel="openings", kind="openings", unit="count"),
        Gauge(channel="slam", kind="slam", unit="m/s2"),
    )
    built = replace(asked.built, gauges=(*asked.built.gauges, *more))
    enrol_node(session, built.site, built.node, kind="tracked", zone="Europe/London", now=HUNG)
    return add_door(session, built, now=HUNG)


def tell(session: Session, door: DoorHung, gauge: str, told: list[tuple[float, float]]) -> None:
    """Readings by their day since hanging."""
    moments = [(HUNG_DAY + day) * DAY_MS for day in range(0, 260, 20)]
    ensure_months(session.get_bind().engine, moments, set())
    rows = [
        {
            "channel_id": door.channels[gauge].id,
            "t_ms": HUNG_DAY * DAY_MS + round(day * DAY_MS),
            "value": value,
        }
        for day, value in told
    ]
    session.execute(insert(Reading), rows)


def steady(days: int, a_day: float, *, every_h: int = 6) -> list[tuple[float, float]]:
    return [(k * every_h / 24, round(a_day * k * every_h / 24)) for k in range(days * 24 // every_h + 1)]


def test_days_are_counted_between_readings(session: Session, door: DoorHung) -> None:
    tell(session, door, "openings", [(0.25, 10), (0.75, 30), (1.25, 40), (1.5, 47), (2.0, 50)])
    found = daily_use(session, door, HUNG_DAY, HUNG_DAY + 3)
    assert found is not None
    assert (found.day - HUNG_DAY).tolist() == [0, 1]
    assert found.count == pytest.approx([25, 15])  # half of the night's ten on either side of it
    assert found.covered == pytest.approx([0.75, 1.0])


def test_readings_within_a_day_change_nothing(session: Session, door: DoorHung) -> None:
    rng = np.random.default_rng(3)
    days = np.sort(rng.uniform(0, 40, 900))
    counts = np.cumsum(rng.integers(0, 4, 900)).astype(float)
    counts[500:] -= counts[500]  # its counter began anew
    tell(session, door, "openings", list(zip(days.tolist(), counts.tolist(), strict=True)))
    found = daily_use(session, door, HUNG_DAY, HUNG_DAY + 40)
    assert found is not None
    by_hand = np.zeros(40)
    for (day, count), (then, after) in zip(
        zip(days, counts, strict=True), list(zip(days, counts, strict=True))[1:], strict=False
    ):
        added = after - count if after >= count else after
        for place in range(int(day), int(then) + 1):
            share = max(0.0, min(place + 1, then) - max(place, day)) / (then - day)
            by_hand[place] += added * share
    assert found.count == pytest.approx(by_hand[int(days[0]) :], abs=1e-6)
    assert found.is_at_least


def test_a_year_of_openings_needs_half_a_year(session: Session, door: DoorHung) -> None:
    tell(session, door, "openings", steady(200, 31))
    assert openings_a_year(session, door, HUNG_DAY, HUNG_DAY + 100) is None
    found = openings_a_year(session, door, HUNG_DAY, HUNG_DAY + 200)
    assert found == pytest.approx(31 * 365.25, rel=0.01)
    counted = use_between(session, door, HUNG_DAY, HUNG_DAY + 200)
    assert counted is not None
    assert counted.year.counted_days == 199  # of the last day the reading at its end is not asked for
    assert (counted.daily.day[0], counted.daily.count[5]) == (HUNG_DAY, pytest.approx(31, abs=1))


def test_a_door_that_nobody_opens_has_no_rate_for_openings(session: Session, door: DoorHung) -> None:
    tell(session, door, "openings", steady(200, 0))
    assert openings_a_year(session, door, HUNG_DAY, HUNG_DAY + 200) is None


def test_slams_by_day_are_the_greatest_of_each(session: Session, door: DoorHung) -> None:
    peaks = [(day + part / 4, 2.0 + part / 10) for day in range(120) for part in range(4)]
    tell(session, door, "slam", [*peaks, (110.3, 14.0)])
    found = daily_slams(session, door, HUNG_DAY, HUNG_DAY + 120)
    assert found is not None
    assert found.greatest_m_s2[110] == 14.0
    assert found.greatest_m_s2[109] == pytest.approx(2.3)
    assert found.count is not None
    assert found.count[110] >= 1
    early = daily_slams(session, door, HUNG_DAY, HUNG_DAY + 10)
    assert early is not None
    assert early.count is None


def test_what_a_page_says_of_use(session: Session, door: DoorHung) -> None:
    assert is_counted(door)
    assert not is_counted(one_joint())
    assert use_seen(session, one_joint(), HUNG_DAY, HUNG_DAY + 30) is None
    tell(session, door, "openings", steady(30, 20))
    tell(session, door, "slam", [(3.5, 6.0), (12.5, 9.0)])
    seen = use_seen(session, door, HUNG_DAY, HUNG_DAY + 30)
    assert seen is not None
    assert seen.openings_a_day == pytest.approx(20, rel=0.02)
    assert (seen.hardest_m_s2, seen.hardest_day) == (9.0, HUNG_DAY + 12)
    assert seen.bouncing_days == 0


def test_days_of_over_5000_are_told(session: Session, door: DoorHung) -> None:
    tell(session, door, "openings", [(0.0, 0), (1.0, 30), (1.5, 6000), (2.0, 6031)])
    seen = use_seen(session, door, HUNG_DAY, HUNG_DAY + 30)
    assert seen is not None
    assert seen.bouncing_days == 1

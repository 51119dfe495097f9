"""Versions and hung lines go in as they are and come out so; the last line of a version counts."""

import json
from dataclasses import asdict, replace
from datetime import timedelta

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from server.database import session_of
from server.doors.built import BuiltDoor
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.register import add_door, enrol_node, find_door
from server.doors.tables import HungLineRow
from server.doors.versions import (
    DAY_MS,
    GaugeZero,
    KeptLine,
    Overlap,
    Version,
    as_of,
    keep_hung_line,
    keep_version,
    last_line,
    lines_of,
    versions_of,
)
from server.schema import downgrade, upgrade
from tests.fakes.clock import HandClock


def built() -> BuiltDoor:
    return read_door(example_text("north"), where="north.toml").built


def version(session: Session, clock: HandClock) -> tuple[int, int]:
    """Ids of a door and of its first version."""
    enrol_node(session, "saltmarsh-yard", "north", kind="tracked", zone="UTC", now=clock())
    door = add_door(session, replace(built(), hung=clock() - timedelta(days=9)), now=clock())
    return door.id, door.versions[0].id


def line(clock: HandClock, zero_mm: float = 2.9) -> KeptLine:
    return KeptLine(
        because="drawn",
        start_day=20_500,
        stop_day=20_514,
        good_days=12,
        since_heard=False,
        gauges={"head-latch": GaugeZero(zero_mm=zero_mm, spread_mm=0.01, calibration=7)},
        moisture_pct=11.8,
        temp_c=None,
        rh_pct=61.5,
        drawn=clock(),
    )


def test_a_version_comes_back_as_it_went_in(session: Session, clock: HandClock) -> None:
    door_id, first = version(session, clock)
    later = Version(from_ms=12 * DAY_MS + 5, because="gauge-moved", built=built(), moved=("head-latch",))
    key = keep_version(session, door_id, later, now=clock())
    found = {one.id: one for one in versions_of(session, door_id)}
    assert found[key] == replace(later, id=key)
    assert found[key].day == 12
    assert found[first].because == "hung"


def test_the_last_line_counts_and_the_first_stays(session: Session, clock: HandClock) -> None:
    door_id, first = version(session, clock)
    assert last_line(session, first) is None
    for zero_mm in (2.9, 3.1):
        keep_hung_line(session, first, line(clock, zero_mm))
    assert lines_of(session, first) == (line(clock, 2.9), line(clock, 3.1))
    assert last_line(session, first) == line(clock, 3.1)
    assert versions_of(session, door_id)[0].line == line(clock, 3.1)


def test_as_of_a_moment() -> None:
    first, second = (Version(from_ms=ms, because="hung", built=built()) for ms in (100, 200))
    found = [as_of((first, second), ms).from_ms for ms in (0, 100, 199, 200, 900)]
    assert found == [100, 100, 100, 200, 200]


@pytest.mark.parametrize("change", ["UPDATE hung_line SET because = 'other'", "DELETE FROM hung_line"])
def test_no_line_is_overwritten(session: Session, clock: HandClock, change: str) -> None:
    _, first = version(session, clock)
    keep_hung_line(session, first, line(clock))
    session.commit()
    with pytest.raises(DBAPIError, match="inserted to alone"):
        session.execute(text(change))
    session.rollback()


def test_doors_hung_before_there_were_versions_get_their_first(
    engine: Engine, database_url: str, clock: HandClock
) -> None:
    with session_of(engine) as session:
        door_id, _ = version(session, clock)
    downgrade(database_url, "0005")
    upgrade(database_url)
    with session_of(engine) as session:
        (first,) = versions_of(session, door_id)
        hung = find_door(session, "north")
    assert (first.because, first.built) == ("hung", hung.built)
    assert first.from_ms == round(hung.hung.timestamp() * 1000)


def test_what_a_gauge_was_tied_to_is_kept_with_its_line(session: Session, clock: HandClock) -> None:
    tied = Overlap(replaces="head-old", days=7, by_mm=0.31, sd_mm=0.004)
    drawn = line(clock)
    gauges = {"head-latch": replace(drawn.gauges["head-latch"], tied=tied)}
    _, first = version(session, clock)
    keep_hung_line(session, first, replace(drawn, gauges=gauges))
    assert (found := last_line(session, first)) is not None
    assert found.gauges == gauges


def test_a_line_kept_before_gauges_could_be_tied_reads_as_it_was(session: Session, clock: HandClock) -> None:
    _, first = version(session, clock)
    gauges = json.dumps({"head-latch": {"zero_mm": 2.9, "spread_mm": 0.01, "calibration": 7}})
    session.add(HungLineRow(version_id=first, **asdict(line(clock)) | {"gauges": gauges}))
    session.flush()
    assert lines_of(session, first) == (line(clock),)

"""What a night is asked besides the days: real readings rolled up on both databases."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from sqlalchemy import Engine

from server.database import session_of
from server.doors.marks import add_mark
from server.doors.register import DoorHung, add_door, enrol_node, find_door
from server.inspection import results
from server.inspection.reading import gather, on_night
from server.inspection.results import Slot
from server.inspection.values import DoorInputs, Finding, Inspection
from server.readings import calibration
from server.readings.calibration import CalibrationRecord
from server.readings.rollup import recompute_all
from server.readings.write import Row
from tests.inspection.doors import HUNG, HUNG_DAY, hung
from tests.readings.gauges import put

DAY_MS, STEP_MS = 86_400_000, 1_800_000
KEPT = ("air-temp", "air-rh", "lock-hinge-top", "lock-hinge-bottom", "head-latch", "latch-top", "shut", "ref")
NOW = datetime(2026, 1, 1, tzinfo=UTC)


def hang(engine: Engine) -> DoorHung:
    """A door with a few gauges, all of them read in mm or in the unit they send."""
    built = hung().built
    gauges = tuple(
        replace(one, unit="m" if one.kind in ("shoulder", "head", "latch") else one.unit)
        for one in built.gauges
        if one.channel in KEPT
    )
    with session_of(engine) as session:
        enrol_node(session, built.site, built.node, kind="tracked", zone="UTC", now=HUNG)
        return add_door(session, replace(built, gauges=gauges), now=NOW)


def read(engine: Engine, door: DoorHung, days: range, *, slam_ms: int = 0, shut: float = 1.0) -> None:
    """A reading each half hour; from `slam_ms` on two edge gauges have jumped by 0.3 mm."""
    rows: list[Row] = []
    for ms in range((HUNG_DAY + days.start) * DAY_MS, (HUNG_DAY + days.stop) * DAY_MS, STEP_MS):
        by_m = 0.0003 * (0 < slam_ms <= ms)
        values = {"head-latch": 0.003 + by_m, "latch-top": 0.003 - by_m, "shut": shut, "ref": 0.5}
        usual = {"air-temp": 12.0, "air-rh": 70.0 + (ms // STEP_MS) % 3}
        for name, one in door.channels.items():
            rows.append((one.id, ms, values.get(name, usual.get(name, 0.0002))))
    put(engine, rows)
    recompute_all(engine)


def night(engine: Engine, door: DoorHung, days: int) -> DoorInputs:
    with session_of(engine) as session:
        return gather(session, find_door(session, door.ref), HUNG_DAY + days)


def test_the_last_ended_day(engine: Engine) -> None:
    door = hang(engine)
    read(engine, door, range(3))
    read(engine, door, range(3, 4), shut=0.0)
    tonight = night(engine, door, 3).tonight
    assert tonight.good == dict.fromkeys(KEPT, 48)
    assert (tonight.is_open, tonight.low_rh_pct) == (False, {"air-rh": 70.0})
    ajar = night(engine, door, 4).tonight
    assert ajar.is_open
    assert ajar.good is not None
    assert (ajar.good["head-latch"], ajar.good["air-rh"]) == (0, 48)
    unheard = night(engine, door, 5)
    assert (unheard.tonight.good, unheard.last_ended, unheard.day.tolist()) == (None, 4, [0, 1, 2])


def test_shift_checks_and_marks_up_to_the_night(engine: Engine) -> None:
    door = hang(engine)
    read(engine, door, range(2))
    with session_of(engine) as session:
        for day in (1, 40):
            record = CalibrationRecord(
                channel="x",
                from_ms=(HUNG_DAY + day) * DAY_MS,
                kind="linear",
                coefficients=((0.0, 1000.0 + day),),
                unit_out="mm",
                sigma=0.001,
            )
            calibration.add(session, door.channels["head-latch"].id, record, now=lambda: NOW)
        add_mark(session, door.id, t_ms=(HUNG_DAY + 40) * DAY_MS, kind="slam", text="", by="maker")
    early, late = night(engine, door, 40), night(engine, door, 41)
    assert early.tonight.checked_day == {"head-latch": HUNG_DAY + 1}
    assert late.tonight.checked_day == {"head-latch": HUNG_DAY + 40}
    assert (len(early.marks), len(late.marks)) == (0, 1)
    assert early.tonight.ref_shift == pytest.approx(0.0)
    assert early.tonight.tests == ()


def test_a_slam_is_found_in_readings_the_second_night_after(engine: Engine) -> None:
    door = hang(engine)
    at_ms = (HUNG_DAY + 3) * DAY_MS + DAY_MS // 2
    read(engine, door, range(6), slam_ms=at_ms)
    assert night(engine, door, 4).tonight.jumps == ()
    (young,) = night(engine, door, 5).tonight.jumps
    assert (young.t_ms, young.channels) == (at_ms, ("head-latch", "latch-top"))
    assert young.lasts_h == pytest.approx(36 - 1 / 2)
    assert young.most_mm == pytest.approx(0.3)
    (again,) = night(engine, door, 6).tonight.jumps
    assert again.t_ms == at_ms


def test_days_cut_for_an_earlier_night_are_those_that_it_reads(engine: Engine) -> None:
    door = hang(engine)
    read(engine, door, range(6), slam_ms=(HUNG_DAY + 3) * DAY_MS + DAY_MS // 2)
    whole, wanted = night(engine, door, 6), night(engine, door, 5)
    with session_of(engine) as session:
        cut = on_night(session, whole, HUNG_DAY + 5)
    assert cut.tonight == wanted.tonight
    assert len(cut.tonight.jumps) == 1
    assert (cut.day.tolist(), cut.last_ended) == (wanted.day.tolist(), wanted.last_ended)


def test_a_quiet_door_has_no_jump(engine: Engine) -> None:
    door = hang(engine)
    read(engine, door, range(6))
    assert night(engine, door, 6).tonight.jumps == ()


def test_earlier_looks_are_kept_in_mind(engine: Engine) -> None:
    door = hang(engine)
    about = "north/head-latch@2021-03-05"

    def keep(day: int, size: float, topic: str = "step") -> None:
        found = Finding(topic=topic, about=about, evidence={"size": size})
        until = (HUNG_DAY + day) * DAY_MS
        slot = Slot(
            scope=results.scope_of(door.id), slot=f"n{day:03}", looked=NOW, until_ms=until, took_s=0.0
        )
        with session_of(engine) as session:
            results.save(session, Inspection(findings=(found,)), slot)

    for day, size in ((10, 1.0), (11, 2.0), (12, 3.0)):
        keep(day, size)
    keep(13, 4.0, topic="gauge")
    earlier = night(engine, door, 12).tonight.earlier
    assert [(one.topic, one.about, one.evidence) for one in earlier] == [("step", about, {"size": 2.0})]
    assert [one.evidence for one in night(engine, door, 74).tonight.earlier] == [{"size": 3.0}]
    assert night(engine, door, 75).tonight.earlier == ()

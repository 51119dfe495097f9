"""Calibrations: raw to mm, dated, never edited."""

import json
from datetime import UTC, datetime

import numpy as np
import pytest
from sqlalchemy import Engine

from server.database import session_of
from server.errors import AlreadyThereError, FileError
from server.readings import store
from server.readings.calibration import CalibrationRecord, add, apply, read_records
from server.readings.rollup import dirty_days
from tests.fakes.clock import HandClock
from tests.readings.gauges import DAY, JAN_1_MS, hang, put
from tests.refusals import refuses

TABLE = ((0.57, 0.0), (0.77, 1.1), (0.97, 2.0))


def record(**other: object) -> CalibrationRecord:
    """A straight record from 1 January 2026."""
    words: dict[str, object] = {
        "channel": "saltmarsh-yard/north/gauge-0",
        "from_ms": JAN_1_MS,
        "kind": "linear",
        "coefficients": ((-1.5, 5.0),),
        "unit_out": "mm",
        "sigma": 0.002,
    }
    return CalibrationRecord(**{**words, **other})  # type: ignore[arg-type]  # the words above, by name


def test_linear_is_offset_and_slope() -> None:
    made = apply("linear", ((-1.5, 5.0),), np.array([0.3, 0.5]))
    assert made.value == pytest.approx([0.0, 1.0])
    assert not made.beyond.any()


# between points numpy's own interpolation; outside, the last piece by hand
@pytest.mark.parametrize(
    ("raw", "value", "beyond"),
    [
        (0.57, 0.0, False),
        (0.97, 2.0, False),
        (0.53, -0.22, False),
        (0.529, -0.2255, True),
        (1.02, 2.225, True),
    ],
)
def test_table_carries_on_and_flags_what_is_beyond(raw: float, value: float, beyond: bool) -> None:
    made = apply("table", TABLE, np.array([raw]))
    assert made.value[0] == pytest.approx(value, abs=1e-12)
    assert made.beyond[0] == beyond


def test_table_is_straight_between_its_points() -> None:
    raw = np.random.default_rng(5).uniform(0.57, 0.97, 200)
    points, outs = zip(*TABLE, strict=True)
    assert apply("table", TABLE, raw).value == pytest.approx(np.interp(raw, points, outs), abs=1e-12)


def test_records_of_a_file() -> None:
    text = json.dumps(
        [
            {"channel": "a/b/c", "from_ms": JAN_1_MS, "kind": "table", "unit_out": "mm", "sigma_mm": 0.0019}
            | {"coefficients": [[0.5, 0], [0.9, 2.0]], "note": "blocks", "steps": [[0, 0.5]], "by": "AB"},
            {"channel": "a/b/d", "from_ms": JAN_1_MS, "kind": "linear", "unit_out": "Cel", "sigma": 0.1}
            | {"coefficients": [0.0, 1.0]},
        ]
    )
    first, second = read_records(text, where="calibration.json")
    assert (first.coefficients, first.sigma, first.note) == (((0.5, 0.0), (0.9, 2.0)), 0.0019, "blocks")
    assert (second.coefficients, second.unit_out) == (((0.0, 1.0),), "Cel")


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"kind": "curve"}, "record 1, kind"),
        ({"coefficients": [1.0]}, "an offset and a slope"),
        ({"coefficients": [1.0, 0.0]}, "an offset and a slope"),
        ({"kind": "table", "coefficients": [[0.5, 0.0], [0.5, 1.0]]}, "raw rising"),
        ({"from_ms": 1767225600.5}, "from_ms"),
        ({"from_ms": 1}, "2020 or later"),
        ({"sigma_mm": None}, "sigma_mm"),
        ({"channel": ""}, "channel"),
    ],
)
def test_unusable_records_are_refused_by_number(change: dict[str, object], complaint: str) -> None:
    good = {"channel": "a", "from_ms": JAN_1_MS, "kind": "linear", "unit_out": "mm", "sigma_mm": 0.1}
    text = json.dumps({**good, "coefficients": [0.0, 1.0], **change})
    with refuses(FileError, asked="c.json", needed="every record", came=complaint):
        read_records(text, where="c.json")


def test_a_file_that_is_not_json_is_refused() -> None:
    with refuses(FileError, asked="c.json", needed="JSON", came="c.json"):
        read_records("{", where="c.json")


def _store(engine: Engine, channel: int, values: dict[int, float]) -> None:
    put(engine, [(channel, ms, value) for ms, value in values.items()])
    with engine.begin() as connection:
        connection.exec_driver_sql("DELETE FROM dirty_day")


def test_each_reading_is_read_by_the_record_in_force(engine: Engine, clock: HandClock) -> None:
    channel = hang(engine, ["/"])[0]
    _store(engine, channel, {JAN_1_MS - 1: 0.5, JAN_1_MS: 0.5, JAN_1_MS + DAY: 0.5})
    with session_of(engine) as session:
        add(session, channel, record(), now=clock)
        add(session, channel, record(from_ms=JAN_1_MS + DAY, coefficients=((0.0, 2.0),)), now=clock)
        read = store.series(session, channel, 0, 2**53)
    assert list(read.ms) == [JAN_1_MS, JAN_1_MS + DAY]
    assert list(read.value) == pytest.approx([1.0, 1.0])


def test_a_record_marks_the_days_that_it_changes(engine: Engine, clock: HandClock) -> None:
    channel = hang(engine, ["/"])[0]
    _store(engine, channel, {JAN_1_MS + day * DAY: 0.5 for day in range(-2, 5)})
    with session_of(engine) as session:
        add(session, channel, record(from_ms=JAN_1_MS + 3 * DAY), now=clock)
        assert session.connection().exec_driver_sql("SELECT count(*) FROM dirty_day").scalar() == 7
        session.connection().exec_driver_sql("DELETE FROM dirty_day")
        add(session, channel, record(from_ms=JAN_1_MS + DAY), now=clock)
    assert dirty_days(engine) == 2


def test_records_are_not_edited(engine: Engine, clock: HandClock) -> None:
    channel = hang(engine, ["/"])[0]
    with session_of(engine) as session:
        first = add(session, channel, record(), now=clock)
        assert add(session, channel, record(), now=clock) == first
        with refuses(AlreadyThereError, asked="add a calibration", needed="not edited", came=str(JAN_1_MS)):
            add(session, channel, record(coefficients=((0.0, 1.0),)), now=clock)


def test_a_gauge_in_metres_is_read_in_mm_without_a_record(engine: Engine) -> None:
    metres, humidity = hang(engine, ["m", "%RH"])
    _store(engine, metres, {JAN_1_MS: 0.00487})
    _store(engine, humidity, {JAN_1_MS: 71.42})
    with session_of(engine) as session:
        assert store.series(session, metres, 0, 2**53).value[0] == pytest.approx(4.87, rel=1e-15)
        assert store.series(session, humidity, 0, 2**53).value[0] == 71.42


def test_now_is_the_clock_that_is_handed_in(engine: Engine, clock: HandClock) -> None:
    channel = hang(engine, ["/"])[0]
    with session_of(engine) as session:
        add(session, channel, record(), now=clock)
        made = session.connection().exec_driver_sql("SELECT made FROM calibration").scalar()
    assert str(made).startswith(f"{datetime(2026, 1, 1, 12, tzinfo=UTC):%Y-%m-%d}")

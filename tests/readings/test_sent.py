"""Readings by time: as sent, and at right times; a span is [start, end)."""

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from server.readings.sent import as_sent, at_right_times
from tests.readings.gauges import JAN_1_MS, hang, put
from tests.readings.test_clock_fixes import DRIFT, SLOW, fix
from tests.readings.test_clock_fixes import put as put_drifting


def test_a_span_ends_before_its_end(engine: Engine) -> None:
    gauge, other = hang(engine, ["%RH", "%RH"])
    put(engine, [(gauge, JAN_1_MS + n, 0.5 * n) for n in range(4)] + [(other, JAN_1_MS + 1, 9.0)])
    with Session(engine) as session:
        for found in (as_sent, at_right_times):
            ms, value = found(session, gauge, JAN_1_MS + 1, JAN_1_MS + 3)
            assert (ms.tolist(), value.tolist()) == ([JAN_1_MS + 1, JAN_1_MS + 2], [0.5, 1.0])
            ms, value = found(session, gauge, 0, JAN_1_MS)
            assert (ms.shape, value.shape) == ((0,), (0,))


def test_right_times_are_in_order_though_sent_times_crossed(engine: Engine) -> None:
    """A drifting instant is moved past one that was stamped later by a clock that was right."""
    (gauge,) = hang(engine, ["%RH"])
    put_drifting(engine, gauge, [JAN_1_MS - 60_000], DRIFT)
    put(engine, [(gauge, JAN_1_MS, 5.0)])
    fix(engine, SLOW)
    with Session(engine) as session:
        assert as_sent(session, gauge, 0, 2**50)[1].tolist() == [0.0, 5.0]
        ms, value = at_right_times(session, gauge, 0, 2**50)
    assert value.tolist() == [5.0, 0.0]
    assert ms[1] == JAN_1_MS - 60_000 + 500_000 * (30 * 86_400_000 - 60_000) // (30 * 86_400_000)

"""Electronic zero: by hand from the rule, and rolled up anew when a window's word changes."""

import numpy as np
import pytest
from sqlalchemy import Engine, text

from server.database import session_of
from server.readings import rezero, store
from server.readings.checking import days_to_check, wrong_days
from server.readings.rezero import MOST, NOISE, WINDOW_DAYS, WINDOW_MS, shifted, shifts, used_shifts
from server.readings.rollup import dirty_days, recompute_all
from server.readings.write import Row
from tests.readings.gauges import DAY, hang, put

FIRST = 1461  # a window of 14 days, counted from 1970
BEGIN_MS = FIRST * WINDOW_MS
HOUR_MS = 3_600_000


def test_the_rule_by_hand() -> None:
    """R' = r - shift 4 r (1 - r): whole at the middle, three quarters at a quarter, nothing at the ends."""
    ms = np.full(4, BEGIN_MS + WINDOW_MS)
    right = shifted(ms, np.array([0.0, 0.25, 0.5, 1.0]), {FIRST + 1: 2e-4})
    assert right.tolist() == pytest.approx([0.0, 0.25 - 1.5e-4, 0.5 - 2e-4, 1.0], abs=1e-15)
    assert shifted(ms, np.array([0.5] * 4), {FIRST: 2e-4}).tolist() == [0.5] * 4


def ref(engine: Engine, channel: int, window: int, ratio: float, *, n: int = 60) -> None:
    """A node's resistors in a window, an hour apart, with one wild reading among them."""
    begin = BEGIN_MS + window * WINDOW_MS
    rows: list[Row] = [(channel, begin + hour * HOUR_MS, ratio) for hour in range(n)]
    put(engine, [*rows, (channel, begin + n * HOUR_MS, 0.9)])


def yard(engine: Engine) -> tuple[int, int, int, int]:
    """A potentiometer, a humidity gauge, the resistors and the shut channel of one node."""
    units, quantities = ["/", "%RH", "/", "/"], ["latch", "air_rh", "ref", "shut"]
    gauge, air, resistors, shut = hang(engine, units, quantities=quantities)
    for window in (0, 1):
        ms = BEGIN_MS + window * WINDOW_MS + HOUR_MS
        put(engine, [(gauge, ms, 0.5), (air, ms, 0.5), (shut, ms, 1.0)])
    return gauge, air, resistors, shut


def means(engine: Engine, channel: int) -> list[float]:
    with engine.connect() as connection:
        asked = text("SELECT mean FROM rollup_day WHERE channel_id = :c ORDER BY day")
        return list(connection.execute(asked, {"c": channel}).scalars())


def test_potentiometers_follow_their_converter_and_nothing_else_does(engine: Engine) -> None:
    gauge, air, resistors, shut = yard(engine)
    ref(engine, resistors, 0, 0.5001)
    recompute_all(engine)
    assert means(engine, gauge) == [0.5, 0.5]
    ref(engine, resistors, 1, 0.5003)
    recompute_all(engine)
    assert means(engine, gauge) == pytest.approx([0.5, 0.4998], abs=1e-12)
    assert (means(engine, air), means(engine, shut)) == ([0.5, 0.5], [1.0, 1.0])
    with session_of(engine) as session:
        assert shifts(session, resistors) == pytest.approx({FIRST: 0.0, FIRST + 1: 2e-4}, abs=1e-12)
        found = store.series(session, gauge, BEGIN_MS, BEGIN_MS + 2 * WINDOW_MS)
        assert found.value.tolist() == pytest.approx([0.5, 0.4998], abs=1e-12)
        assert store.raw(session, gauge, BEGIN_MS, BEGIN_MS + 2 * WINDOW_MS).value.tolist() == [0.5, 0.5]
        assert wrong_days(session, gauge, days_to_check(session, gauge)) == []


@pytest.mark.parametrize("shift", [0.9 * NOISE, -0.9 * NOISE, 1.1 * MOST, -1.1 * MOST, 0.3])
def test_noise_and_faults_correct_nothing(engine: Engine, shift: float) -> None:
    gauge, _, resistors, _ = yard(engine)
    for window, ratio in ((0, 0.5), (1, 0.5 + shift)):
        ref(engine, resistors, window, ratio)
    recompute_all(engine)
    assert means(engine, gauge) == [0.5, 0.5]
    with session_of(engine) as session:
        assert used_shifts(session, resistors) == {}
        assert shifts(session, resistors)[FIRST + 1] == pytest.approx(shift, abs=1e-12)


def test_a_few_readings_are_no_window(engine: Engine) -> None:
    gauge, _, resistors, _ = yard(engine)
    ref(engine, resistors, 0, 0.5, n=20)
    ref(engine, resistors, 1, 0.5002)
    recompute_all(engine)
    assert means(engine, gauge) == [0.5, 0.5]


def test_a_window_that_comes_late_changes_what_followed_it(engine: Engine) -> None:
    """Law I7: whatever the order, the rollups are what the readings say."""
    gauge, _, resistors, _ = yard(engine)
    ref(engine, resistors, 1, 0.5002)
    recompute_all(engine)
    assert means(engine, gauge) == [0.5, 0.5]
    ref(engine, resistors, 0, 0.5)
    recompute_all(engine)
    assert means(engine, gauge) == pytest.approx([0.5, 0.4998], abs=1e-12)
    assert dirty_days(engine) == 0


def test_another_nodes_resistors_are_not_asked(engine: Engine) -> None:
    gauge, _, resistors, _ = yard(engine)
    with engine.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO node (id, site_id, name, kind, upload_s, ppm, enrolled, ack_ms) "
                "SELECT 7, site_id, 'other', kind, upload_s, ppm, enrolled, 0 FROM node"
            )
        )
        connection.execute(text("UPDATE channel SET node_id = 7 WHERE quantity = 'ref'"))
    for window, ratio in ((0, 0.5), (1, 0.5002)):
        ref(engine, resistors, window, ratio)
    recompute_all(engine)
    assert means(engine, gauge) == [0.5, 0.5]


def test_days_that_have_no_readings_are_no_matter(engine: Engine) -> None:
    _, _, resistors, _ = yard(engine)
    with session_of(engine) as session:
        rezero.renew(session, resistors, [FIRST * WINDOW_DAYS], touched_ms=1)
        assert shifts(session, resistors) == {}
    assert DAY * WINDOW_DAYS == WINDOW_MS

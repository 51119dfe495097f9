"""Hashes of readings: by struct and hashlib alone, and in whatever parts they come."""

import hashlib
import struct

import numpy as np
from sqlalchemy import Engine

from server.readings.content import MonthHashes, differences, month_hashes
from server.readings.write import Row
from tests.readings.gauges import DAY, JAN_1_MS, put

FEB_1_MS = JAN_1_MS + 31 * DAY


def by_hand(rows: list[Row]) -> str:
    """SHA-256 over struct '<qd' in the order of the keys; -0.0 as 0.0."""
    return hashlib.sha256(
        b"".join(struct.pack("<qd", ms, value + 0.0) for _, ms, value in sorted(rows))
    ).hexdigest()


def test_a_hash_is_that_of_struct(engine: Engine) -> None:
    chance = np.random.default_rng(2)
    january = [(7, JAN_1_MS + n * 997, float(chance.normal())) for n in range(50)]
    february = [(7, FEB_1_MS, 1e-300), (7, FEB_1_MS + 1, -0.0)]
    before = [(9, JAN_1_MS - 1, 2.5)]
    other = [(8, FEB_1_MS + 5, 3.25)]
    put(engine, [*february, *january, *before, *other])
    with engine.connect() as connection:
        found = month_hashes(connection)
    assert found == {
        7: {"2026-01": by_hand(january), "2026-02": by_hand(february)},
        8: {"2026-02": by_hand(other)},
        9: {"2025-12": by_hand(before)},
    }


def test_parts_make_no_difference() -> None:
    channel, ms = np.repeat([1, 2], 100), np.tile(JAN_1_MS + np.arange(100) * DAY, 2)
    value = np.arange(200.0)
    whole, parts = MonthHashes(), MonthHashes()
    whole.add(channel, ms, value)
    for begin in range(0, 200, 7):
        parts.add(channel[begin : begin + 7], ms[begin : begin + 7], value[begin : begin + 7])
    assert whole.found() == parts.found()
    assert whole.readings == parts.readings == 200
    assert sorted(whole.found()[1]) == ["2026-01", "2026-02", "2026-03", "2026-04"]


def test_differences_name_channel_and_month() -> None:
    one, other = (
        {1: {"2026-01": "a", "2026-02": "b"}},
        {1: {"2026-01": "a", "2026-02": "c"}, 3: {"2026-01": "d"}},
    )
    assert differences(one, one) == []
    assert differences(one, other) == ["channel 1, 2026-02", "channel 3, 2026-01"]

"""What the readings hold, as one hash of each channel and month: the same on both databases."""

import hashlib
from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, select

from server.readings.tables import Reading

TOGETHER = 50_000
FIELDS = np.dtype([("t_ms", "<i8"), ("value", "<f8")])  # the bytes of struct '<qd'
Whole = NDArray[np.int64]
Floats = NDArray[np.float64]
Hashes = Mapping[int, Mapping[str, str]]  # channel -> month such as 2026-01 -> SHA-256


class MonthHashes:
    """SHA-256 over (t_ms, value) of each channel and month, of readings that come in the order of their keys.

    The order must hold within a channel and month; the months may come in any.
    """

    def __init__(self) -> None:
        self._sums: dict[tuple[int, int], hashlib._Hash] = {}
        self.readings = 0

    def add(self, channel: Whole, t_ms: Whole, value: Floats) -> None:
        """Add readings, shape (n,) each."""
        if not len(t_ms):
            return
        rows = np.empty(len(t_ms), dtype=FIELDS)
        # SQLite keeps a whole number as one, and so forgets the sign of -0.0
        rows["t_ms"], rows["value"] = t_ms, value + 0.0
        month = t_ms.astype("datetime64[ms]").astype("datetime64[M]").astype(np.int64)
        changes = np.flatnonzero((np.diff(channel) != 0) | (np.diff(month) != 0)) + 1
        for begin, end in zip([0, *changes], [*changes, len(rows)], strict=True):
            key = (int(channel[begin]), int(month[begin]))
            self._sums.setdefault(key, hashlib.sha256()).update(rows[begin:end].tobytes())
        self.readings += len(rows)

    def found(self) -> dict[int, dict[str, str]]:
        """The hashes of what was added."""
        hashes: dict[int, dict[str, str]] = {}
        for (channel, month), one in sorted(self._sums.items()):
            name = f"{1970 + month // 12:04d}-{month % 12 + 1:02d}"
            hashes.setdefault(channel, {})[name] = one.hexdigest()
        return hashes


def month_hashes(connection: Connection) -> dict[int, dict[str, str]]:
    """The hashes of all stored readings, as this connection sees them."""
    found = MonthHashes()
    for channel, t_ms, value in each_reading(connection):
        found.add(channel, t_ms, value)
    return found.found()


def each_reading(connection: Connection) -> Iterator[tuple[Whole, Whole, Floats]]:
    """All readings as sent, in the order of their keys, some at a time: channel, ms, value; shape (n,)."""
    chosen = select(Reading.channel_id, Reading.t_ms, Reading.value)
    ordered = chosen.order_by(Reading.channel_id, Reading.t_ms)
    rows = connection.execution_options(yield_per=TOGETHER).execute(ordered)
    for part in rows.partitions():
        channel, t_ms, value = zip(*part, strict=True)
        yield np.array(channel, np.int64), np.array(t_ms, np.int64), np.array(value, np.float64)


def differences(one: Hashes, other: Hashes) -> list[str]:
    """The channels and months that are not the same in both, as words."""
    keys = {(channel, month) for side in (one, other) for channel, months in side.items() for month in months}
    return [
        f"channel {channel}, {month}"
        for channel, month in sorted(keys)
        if one.get(channel, {}).get(month) != other.get(channel, {}).get(month)
    ]

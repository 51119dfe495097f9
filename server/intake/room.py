"""The reserve of the disk: intake stops acknowledging before the database could not write any more."""

import shutil
import time
from collections.abc import Callable
from pathlib import Path

from sqlalchemy import Engine

RESERVE_BYTES, RESERVE_SHARE = 2**30, 0.05  # the smaller of the two: a small disk is no full one
LOOK_EVERY_S = 1.0


class Room:
    """Whether the disk of a database has more than its reserve; one on a server has a disk of its own."""

    def __init__(
        self,
        engine: Engine,
        *,
        disk: Callable[[Path], tuple[int, int, int]] = shutil.disk_usage,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        is_file = engine.dialect.name == "sqlite" and bool(engine.url.database)
        self._folder = Path(str(engine.url.database)).absolute().parent if is_file else None
        self._disk, self._monotonic = disk, monotonic
        self._looked_s, self._is_there = float("-inf"), True

    def is_there(self) -> bool:
        """Whether there is; looked at once a second at most, and yes when it cannot be told."""
        now_s = self._monotonic()
        if self._folder is not None and now_s - self._looked_s >= LOOK_EVERY_S:
            self._looked_s = now_s
            try:
                size, _, free = self._disk(self._folder)
            except OSError:
                return self._is_there
            self._is_there = free >= min(RESERVE_BYTES, RESERVE_SHARE * size)
        return self._is_there

"""The reserve of the disk."""

from pathlib import Path

import pytest
from sqlalchemy import create_engine

from server.database import open_engine
from server.intake.room import Room
from server.schema import upgrade
from tests.intake.raw import Socket, publish
from tests.intake.whole import enrol_users, taking_in
from tests.intake.yard import north_pack, rows, until

MIB, GIB = 2**20, 2**30


class Disk:
    """A disk whose size and free bytes a test sets."""

    def __init__(self, size: int, free: int) -> None:
        self.size, self.free, self.asked = size, free, 0

    def __call__(self, _folder: Path) -> tuple[int, int, int]:
        self.asked += 1
        if self.free < 0:
            raise OSError("gone")
        return self.size, self.size - self.free, self.free


@pytest.mark.parametrize(
    ("size", "free", "is_there"),
    [
        (1000 * GIB, GIB, True),
        (1000 * GIB, GIB - 1, False),
        (8 * GIB, 420 * MIB, True),
        (8 * GIB, 400 * MIB, False),
        (64 * MIB, 4 * MIB, True),
        (64 * MIB, 0, False),
    ],
)
def test_a_gibibyte_or_a_twentieth_is_kept_free(size: int, free: int, is_there: bool, tmp_path: Path) -> None:
    engine = create_engine(f"sqlite:///{tmp_path / 'yard.db'}")
    assert Room(engine, disk=Disk(size, free)).is_there() == is_there


def test_it_is_looked_at_once_a_second(tmp_path: Path) -> None:
    now_s, disk = [0.0], Disk(8 * GIB, 0)
    room = Room(create_engine(f"sqlite:///{tmp_path / 'yard.db'}"), disk=disk, monotonic=lambda: now_s[0])
    assert [room.is_there() for _ in range(5)] == [False] * 5
    disk.free = 4 * GIB
    assert (room.is_there(), disk.asked) == (False, 1)
    now_s[0] = 1.0
    assert (room.is_there(), disk.asked) == (True, 2)
    disk.free, now_s[0] = -1, 2.0
    assert room.is_there(), "what cannot be told changes nothing"


@pytest.mark.parametrize("url", ["postgresql+psycopg://yard@/yard", "sqlite://"])
def test_a_database_without_a_file_here_has_no_reserve(url: str) -> None:
    disk = Disk(GIB, 0)
    assert Room(create_engine(url), disk=disk).is_there()
    assert disk.asked == 0


def test_nothing_is_acknowledged_out_of_the_reserve(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """And all of it once there is room again; a ping is answered meanwhile."""
    upgrade(url := f"sqlite:///{tmp_path / 'yard.db'}")
    enrol_users(engine := open_engine(url))
    disk, now_s = Disk(100 * GIB, 0), [0.0]
    with taking_in(engine) as whole, Socket(whole.port) as node:
        whole.collector.room = Room(engine, disk=disk, monotonic=lambda: now_s[0])
        node.enter()
        node.send(publish(4, 1, payload=north_pack(1)))
        until(lambda: whole.collector.counters()["store_failing"] is True)
        assert node.ping()
        assert rows(engine, "SELECT count(*) FROM reading") == [(0,)]
        disk.free, now_s[0] = 50 * GIB, 2.0
        assert node.hear().identifier() == 1
        assert rows(engine, "SELECT count(*) FROM reading") == [(2,)]
        until(lambda: whole.collector.counters()["store_failing"] is False)
    engine.dispose()
    assert any("reserve" in line for line in caplog.messages)

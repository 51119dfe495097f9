"""What a disk, another program and an operator may do to a service: said, lived through, nothing lost."""

import json
import logging
import os
import resource
import signal
import socket
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from sqlalchemy import make_url

from tests.backup.test_restoring import drop_aside
from tests.journeys.acknowledged import CHANNELS, Found
from tests.journeys.needs import is_long
from tests.journeys.ways import WINDOW, Way, load, until_flowing, way_in
from tests.journeys.yard import SCRIPTS, Served, Yard, end, make_yard, metric, serving, start, until

log = logging.getLogger(__name__)
UNLIMITED = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
MINUTE_S, STOP_S = 60.0, 10.0


@contextmanager
def full_disk(served: Served, room: int) -> Iterator[None]:
    """No file of the service may grow beyond `room` bytes while the block runs, as on a disk that is full."""
    resource.prlimit(served.child.pid, resource.RLIMIT_FSIZE, (room, resource.RLIM_INFINITY))
    try:
        yield
    finally:
        resource.prlimit(served.child.pid, resource.RLIMIT_FSIZE, UNLIMITED)


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Way, Served]]:
    """A service on SQLite with a node, for faults that it outlives: each test leaves it whole."""
    with (
        way_in("listener", make_yard(tmp_path_factory.mktemp("faults") / "yard")) as way,
        serving(way.yard) as served,
    ):
        yield way, served


def all_of(way: Way) -> Found:
    """A store that holds all that was sent."""
    return Found(readings=len(CHANNELS) * (way.sender.upcoming - 1))


def check_refusing(way: Way, served: Served, connection: socket.socket, before: int) -> None:
    """It says that its store refuses, and acknowledges nothing more."""
    until(lambda: "the store refuses" in served.get("/healthz")[1], "the page of health to say so")
    assert served.get("/healthz")[0] == 503
    assert metric(served, "store_failing") == 1
    said = len(way.sender.acknowledged) - before, way.sender.take_what_flies(connection, within_s=0.1)
    assert said == (0, False)


def test_a_disk_that_is_full_is_told_and_what_waits_is_stored_once_there_is_room(
    running: tuple[Way, Served],
) -> None:
    """The first here: a write-ahead log that was copied back is written from its front, and does not grow."""
    way, served = running
    sender = way.sender
    with sender.connected(served.intake) as connection:
        sender.send(connection, WINDOW)
        assert sender.take_what_flies(connection)
        before, wal = len(sender.acknowledged), Path(f"{make_url(way.yard.database).database}-wal")
        with full_disk(served, wal.stat().st_size):
            sender.send(connection, WINDOW)
            check_refusing(way, served, connection, before)
        assert sender.take_what_flies(connection)
        until(lambda: served.get("/healthz")[0] == 200, "health again")
    assert way.found() == all_of(way)


def test_a_store_that_another_program_holds_is_told_and_nothing_is_acknowledged(
    running: tuple[Way, Served],
) -> None:
    way, served = running
    sender, path = way.sender, make_url(way.yard.database).database or ""
    with sender.connected(served.intake) as connection:
        until(lambda: served.get("/healthz")[0] == 200, "health")
        before = len(sender.acknowledged)
        with closing(sqlite3.connect(path, isolation_level=None, timeout=30)) as holder:
            holder.execute("BEGIN IMMEDIATE")
            sender.send(connection, WINDOW)
            # a commit waits five seconds for its turn before the store counts as failing
            check_refusing(way, served, connection, before)
            holder.execute("ROLLBACK")
        assert sender.take_what_flies(connection)
        until(lambda: served.get("/healthz")[0] == 200, "health again")
    assert way.found() == all_of(way)


def test_a_store_that_is_held_for_a_minute_costs_nothing(tmp_path: Path) -> None:
    """Longer than a connection is let wait: the node is sent away, comes again, and has lost nothing."""
    if not is_long():
        pytest.skip("takes a minute: HANGTRUE_LONG=1")
    with way_in("listener", make_yard(tmp_path / "yard")) as way, serving(way.yard) as served:
        with load(way, lambda: way.port(served)):
            until_flowing(way, "before")
            path = make_url(way.yard.database).database or ""
            with closing(sqlite3.connect(path, isolation_level=None, timeout=30)) as holder:
                holder.execute("BEGIN EXCLUSIVE")
                before, begun_s = len(way.acknowledged()), time.monotonic()
                until(lambda: time.monotonic() - begun_s > MINUTE_S, "a minute", within_s=2 * MINUTE_S)
                # what was committed before may still have been on its way
                assert len(way.acknowledged()) <= before + WINDOW
                holder.execute("ROLLBACK")
            until_flowing(way, "after")
        way.send_what_is_not_stated(served)
    assert way.found() == Found(readings=len(CHANNELS) * (way.sender.upcoming - 1))


def check_second_is_refused(second: Yard, served: Served) -> None:
    """It says in a sentence which process holds what it would need."""
    told = second.process("serve")
    assert (told.returncode, told.stdout) == (2, ""), told.stderr
    assert f"process number {served.child.pid}" in told.stderr.splitlines()[-1]
    assert "Traceback" not in told.stderr


def test_a_second_service_in_a_folder_is_refused_and_the_first_is_named(running: tuple[Way, Served]) -> None:
    way, served = running
    check_second_is_refused(way.yard, served)


def test_a_second_service_on_a_database_is_refused_and_the_first_is_named(
    running: tuple[Way, Served], tmp_path: Path
) -> None:
    """SQLite; PostgreSQL is asked while it is backed up."""
    way, served = running
    check_second_is_refused(make_yard(tmp_path, way.yard.database), served)


def pages_of(served: Served) -> int:
    """The process of the pages."""
    pid = served.child.pid
    for path in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in path.read_text("utf-8").split():
            if b"web\0--listen" in Path(f"/proc/{child}/cmdline").read_bytes():
                return int(child)
    return 0


def test_pages_that_are_killed_come_again_and_cost_no_connection(running: tuple[Way, Served]) -> None:
    way, served = running
    with way.sender.connected(served.intake) as connection:
        until(lambda: served.get("/healthz")[0] == 200, "the pages")
        until(lambda: metric(served, "connections") == 1, "the node alone")
        first, before = pages_of(served), metric(served, "packs_stored_total")
        os.kill(first, signal.SIGKILL)
        way.sender.send(connection, WINDOW)
        assert way.sender.take_what_flies(connection), "the node's connection lives on"
        until(lambda: served.get("/healthz")[0] == 200, "the pages again")
        assert pages_of(served) not in (0, first)
        assert metric(served, "connections") == 1
        assert metric(served, "packs_stored_total") == before + WINDOW


def test_asked_to_stop_under_load_by_a_broker_it_leaves_in_order(tmp_path: Path) -> None:
    with way_in("broker", make_yard(tmp_path / "yard")) as way:
        with serving(way.yard) as served:
            until(lambda: metric(served, "connections") == 1, "the broker", every_s=0.1)
            with load(way, lambda: way.port(served)):
                until_flowing(way, "before")
                begun_s = time.monotonic()
                served.child.send_signal(signal.SIGTERM)
                assert served.child.wait(2 * STOP_S) == 0
                assert time.monotonic() - begun_s < STOP_S
        after = way.found()
        assert (after.lost, after.wrong, after.strange) == (0, 0, 0)
        assert "Traceback" not in way.yard.log.read_text("utf-8")


def test_asked_to_stop_while_it_starts_it_leaves_in_order(tmp_path: Path) -> None:
    yard = make_yard(tmp_path)
    child = start(SCRIPTS / "hangtrue", "--config", yard.config, "serve", log=yard.log)
    try:
        until((tmp_path / "state" / "service.lock").exists, "its first step", every_s=0.002)
    finally:
        code = end(child)
    assert code == 0, yard.log.read_text("utf-8")


def test_backed_up_under_load_restored_elsewhere_and_filled_by_the_node(
    database_url: str, tmp_path: Path
) -> None:
    """The restored hashes are the manifest's; what came later the node still has, and sends again."""
    with way_in("listener", make_yard(tmp_path / "yard", database_url)) as way:
        with serving(way.yard) as served, load(way, lambda: way.port(served)):
            until_flowing(way, "before")
            if database_url.startswith("postgresql"):  # a start that another test need not make
                check_second_is_refused(make_yard(tmp_path / "second", database_url), served)
            told = way.yard.process("db", "backup", tmp_path / "kept", "--json")
            assert told.returncode == 0, told.stderr
            until_flowing(way, "after")
        kept = json.loads(told.stdout)
        whole, acknowledged = way.found().readings, len(way.acknowledged())
        assert 0 < kept["readings"] < whole
        other = way.yard
        if database_url.startswith("sqlite"):
            other = make_yard(tmp_path / "elsewhere")
        told = other.command("db", "restore", kept["folder"], "--json")
        assert told.returncode == 0, told.stderr
        aside = json.loads(told.stdout)["aside"]
        hashes = json.loads((Path(kept["folder"]) / "manifest.json").read_text("utf-8"))["readings"]
        told = other.command("db", "backup", tmp_path / "again", "--json")
        again = json.loads((Path(json.loads(told.stdout)["folder"]) / "manifest.json").read_text("utf-8"))
        assert again["readings"] == hashes
        way.yard = other
        assert len(way.stated()) < acknowledged
        with serving(other) as served:
            until(lambda: len(way.stated()) > 0, "the statement, which shrank")
            way.send_what_is_not_stated(served)
        assert way.found() == Found(readings=len(CHANNELS) * (way.sender.upcoming - 1))
    drop_aside(database_url, aside)

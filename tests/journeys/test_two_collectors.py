"""Two collectors on one broker's shared subscription, one killed again and again: nothing is lost."""

import json
import logging
import signal
import subprocess
from pathlib import Path

from tests.fakes.databases import POSTGRES, own_schema
from tests.journeys.acknowledged import CHANNELS, Found
from tests.journeys.needs import often, require
from tests.journeys.ways import Way, load, until_flowing, use_broker, way_in
from tests.journeys.yard import SCRIPTS, SITE, Yard, end, first_line, make_yard, metric, serving, start, until

log = logging.getLogger(__name__)
KILLS = often(1, long=6)


def second_yard(way: Way, folder: Path) -> Yard:
    """The settings of a second collector: the same database and broker, its own number and folder."""
    made = make_yard(folder, way.yard.database)
    assert way.broker is not None
    use_broker(made, way.broker.port, "collector = 2")
    return made


def start_second(second: Yard) -> subprocess.Popen[str]:
    """The second collector, once it has begun; from there on it ends in order when it is asked to."""
    child = start(SCRIPTS / "hangtrue", "--config", second.config, "collect", log=second.log)
    said = first_line(child)
    if not said.startswith("collector 2: "):
        end(child)
        raise AssertionError(f"it said {said!r}; its log: {second.log.read_text('utf-8')[-2000:]}")
    return child


def statements(way: Way) -> list[int]:
    """Times of the last statement in the database, and of the node's row."""
    rows = way.yard.rows("SELECT ack_ms FROM node")
    said = way.yard.rows(f"SELECT payload FROM downlink WHERE topic = 'hangtrue/v1/{SITE}/north/ack'")  # noqa: S608  (a constant)
    return [rows[0][0], json.loads(bytes(said[0][0]))["t"]]


def test_one_of_two_is_killed_again_and_again(tmp_path: Path) -> None:
    url = require(POSTGRES or None, "HANGTRUE_TEST_POSTGRES: a server's URL")
    with (
        own_schema(url, tmp_path.name) as database,
        way_in("broker", make_yard(tmp_path / "yard", database), more="collector = 1") as way,
    ):
        second = second_yard(way, tmp_path / "second")
        with serving(way.yard) as served:
            until(lambda: metric(served, "connections") == 1, "the broker", every_s=0.1)
            with load(way, lambda: way.port(served)):
                for _ in range(KILLS):
                    child = start_second(second)
                    try:
                        shared = stored_by_second(way)
                        until(lambda: stored_by_second(way) > shared + 100, "packs by the second")  # noqa: B023  (at once)
                    finally:
                        end(child, signal.SIGKILL)
                    way.broker_forgot()  # the second's share: the first does not acknowledge it
                    until_flowing(way, "by the first alone")
            # under the same id it finds in its session what it was given and had not acknowledged
            child = start_second(second)
            try:
                wanted = Found(readings=len(CHANNELS) * (way.sender.upcoming - 1))
                until(lambda: way.found() == wanted, "all of it, once", every_s=0.5, within_s=60)
                way.send_what_is_not_stated(served)
            finally:
                assert end(child) == 0
        assert way.found() == wanted
        node, said = statements(way)
        assert node == said, "the last statement is the last that the database gave a time"
        log.info("%d packs, %d by the first", way.sender.upcoming - 1, len(way.acknowledged()))


def stored_by_second(way: Way) -> int:
    """Packs that were stored, and that the first did not acknowledge."""
    return int(way.yard.rows("SELECT count(*) FROM instant")[0][0]) - len(way.acknowledged())

"""PostgreSQL ended as by a power cut, under load, and started again: retried, and nothing is lost."""

import logging
from pathlib import Path

import pytest

from tests.fakes.postgres import cluster
from tests.journeys.acknowledged import CHANNELS, Found
from tests.journeys.needs import often
from tests.journeys.ways import KINDS, load, until_flowing, way_in
from tests.journeys.yard import make_yard, metric, serving, until

log = logging.getLogger(__name__)
RESTARTS = often(1, long=5)


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_acknowledged_is_lost(kind: str, tmp_path: Path) -> None:
    with cluster() as server, way_in(kind, make_yard(tmp_path / "yard", server.url)) as way:
        with serving(way.yard) as served:
            until(lambda: way.broker is None or metric(served, "connections") == 1, "the broker", every_s=0.1)
            with load(way, lambda: way.port(served)):
                until_flowing(way, "at the start")
                for _ in range(RESTARTS):
                    until_flowing(way, "before the restart", packs=1)
                    server.restart()
                    until_flowing(way, "after the restart")
            after = way.found()
            log.info("%d packs acknowledged, %s", len(way.acknowledged()), after)
            assert (after.lost, after.wrong, after.strange) == (0, 0, 0)
            # a group that was committed while the server's answer was lost came twice, and is stored once
            way.send_what_is_not_stated(served)
            assert way.found() == Found(readings=len(CHANNELS) * (way.sender.upcoming - 1))
            until(lambda: served.get("/healthz")[0] == 200, "health", every_s=0.2)
        assert way.yard.rows("SELECT count(*) FROM quarantine") == [(0,)]
        assert "store fails" in way.yard.log.read_text("utf-8")

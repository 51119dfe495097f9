"""A connection that is cut between commit and acknowledgement: delivered again, stored once, named once."""

import logging
import random
from pathlib import Path

import pytest

from tests.journeys.acknowledged import CHANNELS, Found
from tests.journeys.cutting import cutting
from tests.journeys.needs import by_default, often
from tests.journeys.ways import load, until_flowing, way_in
from tests.journeys.yard import make_yard, metric, serving, until

log = logging.getLogger(__name__)
CUTS = 20  # at the listener: a cut takes no time
BROKER_CUTS = often(3, long=20)  # paho waits a second before it connects again


@pytest.mark.parametrize("database_url", by_default("postgres"), indirect=True)
def test_between_the_listener_and_a_node(database_url: str, tmp_path: Path) -> None:
    rng, left = random.Random(20261125), [CUTS]

    def passes() -> int | None:
        if not left[0]:
            return None
        left[0] -= 1
        return rng.randint(0, 400)

    with way_in("listener", make_yard(tmp_path / "yard", database_url)) as way, serving(way.yard) as served:
        with cutting(lambda: served.intake, passes) as wire, load(way, lambda: wire.port):
            until(lambda: len(wire.swallowed) == CUTS, "cuts", within_s=60)
            until_flowing(way, "after the last cut")
        log.info("%s acknowledgements swallowed, %s", wire.swallowed, way.found())
        owed = sum(wire.swallowed)  # what was acknowledged in vain comes again
        until(lambda: metric(served, "redelivered_total") >= owed, "them in the metrics", every_s=0.2)
        assert len(way.sender.acknowledged) == way.sender.upcoming - 1
    assert min(wire.swallowed) > 0
    assert way.found() == Found(readings=len(CHANNELS) * (way.sender.upcoming - 1))


@pytest.mark.parametrize("database_url", by_default("sqlite"), indirect=True)
def test_between_the_service_and_a_broker(database_url: str, tmp_path: Path) -> None:
    """No stale acknowledgement either: what the broker had acknowledged is in the store."""
    rng, left, cuts = random.Random(20261125), [rng_first := 150], [0]

    def at_puback(_payload: bytes) -> bool:
        left[0] -= 1
        if left[0] or cuts[0] == BROKER_CUTS:
            return True
        left[0], cuts[0] = rng.randint(1, 2 * rng_first), cuts[0] + 1
        return False

    with way_in("broker", make_yard(tmp_path / "yard", database_url)) as way, serving(way.yard) as served:
        assert way.wire is not None
        until(lambda: metric(served, "connections") == 1, "the broker", every_s=0.1)
        way.wire.at_puback = at_puback
        with load(way, lambda: way.port(served)):
            until(lambda: cuts[0] == BROKER_CUTS, "cuts", within_s=120)
            until_flowing(way, "after the last cut")
        after = way.found()
        assert (after.lost, after.wrong, after.strange) == (0, 0, 0)
        until(lambda: len(way.acknowledged()) == way.sender.upcoming - 1, "what the broker kept")
        until(lambda: metric(served, "redelivered_total") > 0, "them in the metrics", every_s=0.2)
    assert way.wire.connections > BROKER_CUTS
    assert way.found() == Found(readings=len(CHANNELS) * (way.sender.upcoming - 1))

"""The listener, which stores, against mosquitto alone, which does not: a paho publisher on both."""

from pathlib import Path

from tests.bench.intake.packs import CHANNELS
from tests.bench.intake.pairs import Asked, Bar, apart, compare, head
from tests.bench.intake.served import USER, Took, cpu_s_of, ran, service
from tests.fakes.mosquitto import PASSWORD, mosquitto

LEAST, WINDOW, COUNT = 0.65, 200, 10_000


def ours(folder: Path) -> Took:
    """The service."""
    with service(folder) as served:
        return _published(served.port, served.password, served.pid)


def alone(folder: Path) -> Took:
    """The broker, to which nobody has subscribed."""
    with mosquitto(folder) as broker:
        assert broker.child is not None
        return _published(broker.port, PASSWORD, broker.child.pid)


def _published(port: int, password: str, pid: int) -> Took:
    before_s = cpu_s_of(pid)
    took = ran("publisher", port, USER, password, "live", COUNT, WINDOW)
    return Took(wall_s=took.wall_s, cpu_s=cpu_s_of(pid) - before_s)


def run(asked: Asked) -> bool:
    """Whether the bar was met."""
    head("listener over mosquitto alone, paho publishing", asked)
    bar = Bar(name=f"live, window {WINDOW}", least=LEAST, readings=COUNT * len(CHANNELS))
    return compare(bar, apart(ours, alone), asked)

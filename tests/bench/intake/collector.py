"""Our collector behind mosquitto, which checks and stores, against an idle paho subscriber there.

Both from the first PUBLISH of a raw publisher until the last pack is theirs.
"""

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import text

from server.database import open_engine
from tests.bench.intake.packs import CHANNELS
from tests.bench.intake.pairs import Asked, Bar, apart, compare, head
from tests.bench.intake.served import USER, Took, service
from tests.fakes.mosquitto import PASSWORD, Mosquitto, mosquitto

LEAST, WINDOW, COUNT, PATIENCE_S = 0.80, 200, 10_000, 300.0
LOOK_S = 0.01  # each look takes a core from what is measured


def intake_of(broker: Mosquitto, *more: str) -> str:
    """The settings of a collector on this broker."""
    secret = broker.folder / "collector.password"
    secret.write_text(PASSWORD, "utf-8")
    secret.chmod(0o600)
    lines = ['kind = "broker"', "[intake.broker]", f"port = {broker.port}", f'password_file = "{secret}"']
    return "\n".join([*lines, *more])


def wait_for(there: Callable[[], bool]) -> None:
    """Return once it holds; raises TimeoutError."""
    until_s = time.monotonic() + PATIENCE_S
    while not there():
        if time.monotonic() > until_s:
            raise TimeoutError("the packs were not stored")
        time.sleep(LOOK_S)


@contextmanager
def publisher(broker: Mosquitto, nodes: int = 1, count: int = COUNT) -> Iterator[Callable[[], None]]:
    """A publisher that has made its packs and is connected; called, it begins to publish them."""
    command = [sys.executable, "-m", "tests.bench.intake.nodes"]
    command += map(str, [broker.port, USER, PASSWORD, nodes, count, WINDOW])
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        given = child.stdin

        def publish() -> None:
            given.write("\n")
            given.flush()

        yield publish
        child.communicate(timeout=PATIENCE_S)  # that it can say its own seconds, which nobody asks for


def are_stored(url: str, count: int = COUNT) -> Callable[[], bool]:
    """Whether so many instants are stored."""
    engine = open_engine(url, reader=True)

    def there() -> bool:
        with engine.connect() as connection:
            found = connection.execute(text("SELECT sum(seq_to - seq_from + 1) FROM journal_span")).scalar()
        return found is not None and int(found) >= count

    return there


def ours(folder: Path) -> Took:
    """The service with its collector."""
    with mosquitto(folder / "broker") as broker, service(folder, intake=intake_of(broker)) as served:
        there = are_stored(f"sqlite:///{folder / 'bench.db'}")
        _until_connected(broker)
        with publisher(broker) as publish:
            began, before_s = time.perf_counter(), served.cpu_s()
            publish()
            wait_for(there)
            return Took(wall_s=time.perf_counter() - began, cpu_s=served.cpu_s() - before_s)


def idle(folder: Path) -> Took:
    """A subscriber that does nothing with what it is sent."""
    with mosquitto(folder / "broker") as broker:
        command = [sys.executable, "-m", "tests.bench.intake.subscriber"]
        command += [str(broker.port), "collector", PASSWORD, str(COUNT)]
        child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        with publisher(broker) as publish:
            began = time.perf_counter()
            publish()
            _, used_s = child.stdout.readline().split()
            took = Took(wall_s=time.perf_counter() - began, cpu_s=float(used_s))
        child.wait(PATIENCE_S)
        return took


def _until_connected(broker: Mosquitto) -> None:
    log = broker.folder / "log"
    wait_for(lambda: b"htcollector01" in log.read_bytes())
    time.sleep(0.5)


def run(asked: Asked) -> bool:
    """Whether the bar was met."""
    head("collector over an idle paho subscriber", asked)
    bar = Bar(name=f"live, window {WINDOW}", least=LEAST, readings=COUNT * len(CHANNELS))
    return compare(bar, apart(ours, idle), asked)

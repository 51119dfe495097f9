"""Two collectors on a shared subscription, each with its own connection to PostgreSQL, against one.

Needs HANGTRUE_TEST_POSTGRES, a server's URL.
"""

import os
import subprocess
import sys
import time
from contextlib import ExitStack
from functools import partial
from pathlib import Path

from tests.backup.yard import own_schema
from tests.bench.intake.collector import COUNT, WINDOW, are_stored, intake_of, sent, wait_for
from tests.bench.intake.packs import CHANNELS
from tests.bench.intake.pairs import Asked, Bar, apart, compare, head
from tests.bench.intake.served import HANGTRUE, STOP_S, Took, cpu_s_of, service
from tests.fakes.mosquitto import Mosquitto, mosquitto

LEAST = 1.0
POSTGRES = os.environ.get("HANGTRUE_TEST_POSTGRES", "")


def side(collectors: int, folder: Path) -> Took:
    """One delivery, until all of it is stored."""
    with ExitStack() as stack:
        url = stack.enter_context(own_schema(POSTGRES, f"bench{os.getpid()}x{collectors}"))
        broker = stack.enter_context(mosquitto(folder / "broker"))
        served = stack.enter_context(service(folder, intake=intake_of(broker, "collector = 1"), url=url))
        pids = [served.pid]
        if collectors == 2:
            pids.append(_second(stack, folder, broker, url))
        there = are_stored(url)
        time.sleep(1.0)
        began, before_s = time.perf_counter(), sum(map(cpu_s_of, pids))
        sent(broker)
        wait_for(there)
        return Took(wall_s=time.perf_counter() - began, cpu_s=sum(map(cpu_s_of, pids)) - before_s)


def _second(stack: ExitStack, folder: Path, broker: Mosquitto, url: str) -> int:
    """Start one more collector; its process."""
    (own := folder / "second").mkdir()
    config = own / "hangtrue.toml"
    intake = intake_of(broker, "collector = 2")
    config.write_text(f'state_dir = "{own}"\ndatabase = "{url}"\n[intake]\n{intake}\n', "utf-8")
    command = [HANGTRUE, "--config", str(config), "collect"]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    stack.callback(child.wait, STOP_S)
    stack.callback(child.terminate)
    assert child.stdout is not None
    assert child.stdout.readline().startswith("collector 2: ")
    return child.pid


def run(asked: Asked) -> bool:
    """Whether the bar was met."""
    if not POSTGRES:
        sys.stdout.write("shared: needs HANGTRUE_TEST_POSTGRES, a server's URL; not measured\n")
        return False
    head("two shared collectors over one, PostgreSQL", asked)
    bar = Bar(name=f"live, window {WINDOW}", least=LEAST, readings=COUNT * len(CHANNELS))
    return compare(bar, apart(partial(side, 2), partial(side, 1)), asked)

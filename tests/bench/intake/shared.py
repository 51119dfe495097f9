"""Two collectors on a shared subscription, each with its own connection to PostgreSQL, against one.

Of one node, whose stored runs one commit at a time may merge, and of several. Beside the ratio: what all that
ran used of all processors, for where they are all used more collectors cannot do more. Needs
HANGTRUE_TEST_POSTGRES, a server's URL.
"""

import os
import subprocess
import sys
import time
from contextlib import ExitStack
from functools import partial
from pathlib import Path

from server.clock import utc_now
from server.database import open_engine, session_of
from server.doors.register import add_channels, enrol_node
from server.intake.broker_files import NodeUser, access_list
from tests.bench.intake.collector import WINDOW, are_stored, intake_of, publisher, wait_for
from tests.bench.intake.nodes import SITE, names
from tests.bench.intake.packs import CHANNELS
from tests.bench.intake.pairs import Asked, Bar, apart, compare, head
from tests.bench.intake.served import HANGTRUE, STOP_S, TICKS_A_S, USER, Took, cpu_s_of, service
from tests.fakes.databases import POSTGRES, own_schema
from tests.fakes.mosquitto import Mosquitto, mosquitto

LEAST, NODES = 1.0, (1, 8)
COUNT = 40_000  # that two to three seconds pass, a handful of groups a collector being too few to be even


def side(collectors: int, nodes: int, folder: Path) -> Took:
    """One delivery, until all of it is stored."""
    with ExitStack() as stack:
        url = stack.enter_context(own_schema(POSTGRES, f"bench{os.getpid()}x{collectors}"))
        broker = stack.enter_context(mosquitto(folder / "broker"))
        _let_write(broker, nodes)
        served = stack.enter_context(service(folder, intake=intake_of(broker, "collector = 1"), url=url))
        _enrol(url, nodes)
        pids = [served.pid]
        if collectors == 2:
            pids.append(_second(stack, folder, broker, url))
        there = are_stored(url, COUNT)
        time.sleep(1.0)
        publish = stack.enter_context(publisher(broker, nodes, COUNT))
        began, before_s, all_before_s = time.perf_counter(), sum(map(cpu_s_of, pids)), _used_s()
        publish()
        wait_for(there)
        wall_s, used_s = time.perf_counter() - began, sum(map(cpu_s_of, pids)) - before_s
        part = (_used_s() - all_before_s) / wall_s / (os.cpu_count() or 1)
        sys.stdout.write(
            f"    {collectors} collectors, {nodes} nodes: {wall_s:.2f} s, of which theirs {used_s:.2f}; "
            f"all processors used {part:.0%}\n"
        )
        return Took(wall_s=wall_s, cpu_s=used_s)


def _used_s() -> float:
    """Processor seconds that all processes used. Source: proc(5), stat: all but idle and iowait."""
    ticks = [int(one) for one in Path("/proc/stat").read_text().splitlines()[0].split()[1:9]]
    return (sum(ticks) - ticks[3] - ticks[4]) / TICKS_A_S


def _let_write(broker: Mosquitto, nodes: int) -> None:
    """One user may publish for all of these nodes."""
    users = [NodeUser(user=USER, site=SITE, node=name) for name in names(nodes)]
    (broker.folder / "access").write_text(access_list(users, collector="collector"), "utf-8")
    broker.end()  # told to read its files again as it starts, it would end
    broker.start()


def _enrol(url: str, nodes: int) -> None:
    """All but the first, which the service has."""
    engine = open_engine(url)
    with session_of(engine) as session:
        for name in names(nodes)[1:]:
            node = enrol_node(session, SITE, name, kind="tracked", zone="Europe/London", now=utc_now())
            gauges = [(f"{SITE}/{name}/{gauge}", unit) for gauge, unit, _ in CHANNELS]
            add_channels(session, node, gauges, now=utc_now())
    engine.dispose()


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
    met = True
    for nodes in NODES:
        name = f"live, window {WINDOW}, nodes: {nodes}"
        bar = Bar(name=name, least=LEAST, readings=COUNT * len(CHANNELS))
        met &= compare(bar, apart(partial(side, 2, nodes), partial(side, 1, nodes)), asked)
    return met

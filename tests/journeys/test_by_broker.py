"""The service with an outside broker over TLS, its files made by command: from a node to a statement."""

import os
import signal
from pathlib import Path

from tests.fakes.mosquitto import Mosquitto, free_port
from tests.journeys.hung import Hung, hang, write_node_file
from tests.journeys.test_encrypted import generation, trust
from tests.journeys.yard import SITE, Yard, end, make_yard, serving, start_service, until

YEARS, SEED = 0.05, 5


def set_broker(yard: Yard, port: int) -> None:
    """Write the settings of a service that takes its readings from a broker."""
    state = yard.folder / "state"
    lines = [
        f'host = "127.0.0.1"\nport = {port}',
        f'password_file = "{state / "broker" / "collector.password"}"',
        f'ca_file = "{state / "ca" / "ca.pem"}"',
    ]
    plain = yard.config.read_text("utf-8").replace("[intake]\n", '[intake]\nkind = "broker"\n')
    yard.config.write_text(plain + "[intake.broker]\n" + "\n".join(lines) + "\n", "utf-8")


def start_broker(yard: Yard, port: int) -> Mosquitto:
    """Make the broker's files by command, and start it with them: on this computer alone, as this user."""
    (data := yard.folder / "data").mkdir()
    told = yard.command("broker", "files", "--port", str(port), "--data", data)
    assert told.returncode == 0, told.stderr
    path = yard.folder / "state" / "broker" / "mosquitto.conf"
    text = path.read_text("utf-8").replace(f"listener {port}\n", f"listener {port} 127.0.0.1\n")
    path.write_text(text + ("user root\n" if os.geteuid() == 0 else ""), "utf-8")
    broker = Mosquitto(path.parent, port)
    broker.start()
    return broker


def made_by_command(yard: Yard, port: int) -> tuple[Hung, Mosquitto]:
    """Authority, broker and door, in the order in which a maker comes to them."""
    assert yard.command("broker", "ca", "--host", "127.0.0.1").returncode == 0
    broker = start_broker(yard, port)
    made = hang(yard, door="north", years=YEARS, seed=SEED)
    set_broker(yard, port)
    broker.reload()
    write_node_file(made, port)
    trust(made, yard.folder / "state" / "ca" / "ca.pem")
    return made, broker


def all_stored(made: Hung) -> bool:
    counts = made.counts()
    return counts["head"] > 0 and counts["waiting"] == 0


def stored(yard: Yard) -> int:
    return int(yard.rows("SELECT count(*) FROM instant")[0][0])


def kill_service(yard: Yard, made: Hung) -> None:
    """Kill a service while the node's packs come in; the broker and the node go on without it."""
    served = start_service(yard)
    child = made.start("--packs-per-s", "20")
    try:
        until(lambda: stored(yard) > 30, "some of it")
        served.child.kill()
    finally:
        end(served.child)
        assert end(child) == 0


def test_a_nodes_years_arrive_though_service_and_broker_are_killed_on_the_way(tmp_path: Path) -> None:
    yard = make_yard(tmp_path)
    made, broker = made_by_command(yard, free_port())
    try:
        assert yard.command("node", "rotate", f"{SITE}/north").returncode == 0
        broker.reload()
        kill_service(yard, made)
        with serving(yard):
            child = made.start("--packs-per-s", "20")
            try:
                before = stored(yard)
                until(lambda: stored(yard) > before + 10, "more of it")
                broker.end(signal.SIGKILL)
                broker.start()
                until(lambda: all_stored(made), "all of it, and its statement", every_s=0.2, within_s=60)
                until(lambda: generation(yard) == 2, "the second password, told by the broker")
            finally:
                assert end(child) == 0
    finally:
        broker.end()
    with made.spool() as spool:
        head = spool.head
    ((instants, seqs),) = yard.rows("SELECT count(*), count(DISTINCT seq) FROM instant")
    assert instants == seqs
    assert head - 1 <= instants <= head

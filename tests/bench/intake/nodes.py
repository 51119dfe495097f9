"""A publisher for several nodes in turn: `-m tests.bench.intake.nodes PORT USER PASSWORD NODES COUNT WINDOW`.

As the generator, with live packs: COUNT in all. It prints `ready` once it is connected, and begins when it
is given a line.
"""

import sys
import time

from sensors.message.names import topic
from sensors.message.pack import pack_bytes
from server.intake.codec import write
from server.intake.packets import Publish
from tests.bench.intake.generator import connect_bytes, connected, run
from tests.bench.intake.packs import JOURNAL, instant

SITE = "saltmarsh-yard"


def names(count: int) -> list[str]:
    """The nodes: `north`, and others."""
    return ["north", *(f"box-{number}" for number in range(1, count))]


def wire(nodes: int, count: int) -> list[bytes]:
    """Their packs as PUBLISH, the nodes taking turns."""
    made = []
    for k in range(count):
        node, seq = names(nodes)[k % nodes], 1 + k // nodes
        payload = pack_bytes(
            base_name=f"{SITE}/{node}/", journal=JOURNAL, first_seq=seq, clock="utc", instants=[instant(seq)]
        )
        packet = Publish(topic=topic(SITE, node, "readings"), payload=payload, qos=1, packet_id=1 + k % 65535)
        made.append(write(packet, 4))
    return made


def main() -> None:
    """Connect, publish, print the seconds."""
    port, user, password, nodes, count, window = sys.argv[1:]
    packets = wire(int(nodes), int(count))
    with connected(int(port)) as connection:
        connection.sendall(connect_bytes(user, password))
        if (answer := connection.recv(4)) != b"\x20\x02\x00\x00":
            raise ConnectionError(f"not let in: {answer.hex()}")
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        sys.stdin.readline()
        used = time.process_time()
        took = run(connection, packets, int(window))
        sys.stdout.write(f"{took:.6f} {time.process_time() - used:.6f}\n")


if __name__ == "__main__":
    main()

"""A publisher with paho: `-m tests.bench.intake.publisher PORT USER PASSWORD SHAPE COUNT WINDOW`.

Prints the seconds from the first PUBLISH to the last PUBACK, and its processor time.
"""

import sys
import threading
import time

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench.intake.generator import PATIENCE_S, TOPIC
from tests.bench.intake.packs import packs


def main() -> None:
    """Connect, publish with at most WINDOW packs open, print the seconds."""
    port, user, password, shape, count, window = sys.argv[1:]
    payloads, room, done = packs(shape, int(count)), threading.Semaphore(int(window)), threading.Event()
    left, ready = [len(payloads)], threading.Event()

    def published(*_: object) -> None:
        room.release()
        left[0] -= 1
        if not left[0]:
            done.set()

    client = paho.Client(CallbackAPIVersion.VERSION2, "bench")
    client.username_pw_set(user, password)
    client.max_inflight_messages_set(int(window))
    client.on_connect = lambda *_: ready.set()
    client.on_publish = published
    client.connect("127.0.0.1", int(port))
    client.loop_start()
    if not ready.wait(PATIENCE_S):
        raise TimeoutError("not let in")
    began, used, topic = time.perf_counter(), time.process_time(), TOPIC.decode()
    for payload in payloads:
        if not room.acquire(timeout=PATIENCE_S):
            raise TimeoutError(f"no PUBACK for {PATIENCE_S:g} s")
        client.publish(topic, payload, qos=1)
    if not done.wait(PATIENCE_S):
        raise TimeoutError(f"{left[0]} packs were not acknowledged")
    sys.stdout.write(f"{time.perf_counter() - began:.6f} {time.process_time() - used:.6f}\n")
    client.disconnect()
    client.loop_stop()


if __name__ == "__main__":
    main()

"""An idle subscriber with paho: `-m tests.bench.intake.subscriber PORT USER PASSWORD COUNT`.

It acknowledges each message by hand and does nothing else. Prints `ready`, and the seconds from its first
message to its last, and its processor time.
"""

import sys
import threading
import time

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.bench.intake.generator import PATIENCE_S

READINGS = "hangtrue/v1/+/+/readings"


def main() -> None:
    """Subscribe, count, print the seconds."""
    port, user, password, count = sys.argv[1:]
    left, done, began = [int(count)], threading.Event(), [0.0, 0.0]

    def came(client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        if not began[0]:
            began[:] = time.perf_counter(), time.process_time()
        client.ack(message.mid, message.qos)
        left[0] -= 1
        if not left[0]:
            done.set()

    def let_in(client: paho.Client, *_: object) -> None:
        client.subscribe(READINGS, qos=1)

    def heard(*_: object) -> None:
        sys.stdout.write("ready\n")
        sys.stdout.flush()

    client = paho.Client(
        CallbackAPIVersion.VERSION2, "htcollector01", protocol=MQTTProtocolVersion.MQTTv5, manual_ack=True
    )
    client.username_pw_set(user, password)
    client.on_connect = let_in
    client.on_subscribe = heard
    client.on_message = came
    client.connect("127.0.0.1", int(port))
    client.loop_start()
    if not done.wait(10 * PATIENCE_S):
        raise TimeoutError(f"{left[0]} messages did not come")
    sys.stdout.write(f"{time.perf_counter() - began[0]:.6f} {time.process_time() - began[1]:.6f}\n")
    sys.stdout.flush()
    client.disconnect()
    client.loop_stop()


if __name__ == "__main__":
    main()

"""A publisher on a raw socket: `-m tests.bench.intake.generator PORT USER PASSWORD SHAPE COUNT WINDOW [CA]`.

A program of its own, so that it shares no interpreter lock with the service. Prints the seconds from the
first PUBLISH to the last PUBACK, and its processor time. CA: over TLS, trusting that authority. Bounded by
COUNT; gives up when nothing comes for 30 s.
"""

import select
import socket
import ssl
import struct
import sys
import time

from tests.bench.intake.packs import packs

TOPIC = b"hangtrue/v1/saltmarsh-yard/north/readings"
PATIENCE_S = 30.0
PUBACK, PUBACK_BYTES = 0x40, 4


def _length(size: int) -> bytes:
    out = bytearray()
    while True:
        size, digit = divmod(size, 128)
        out.append(digit | 0x80 if size else digit)
        if not size:
            return bytes(out)


def _text(value: bytes) -> bytes:
    return struct.pack(">H", len(value)) + value


def connect_bytes(user: str, password: str) -> bytes:
    """CONNECT of MQTT 3.1.1 with a clean session."""
    body = _text(b"MQTT") + bytes([4, 0xC2]) + struct.pack(">H", 60)
    body += _text(b"bench") + _text(user.encode()) + _text(password.encode())
    return b"\x10" + _length(len(body)) + body


def publish_bytes(number: int, payload: bytes) -> bytes:
    """PUBLISH at QoS 1 under packet number 1 to 65535."""
    body = _text(TOPIC) + struct.pack(">H", number) + payload
    return b"\x32" + _length(len(body)) + body


def connected(port: int, ca: str | None = None) -> socket.socket:
    """A connection to this computer, over TLS with an authority to trust."""
    plain = socket.create_connection(("127.0.0.1", port))
    if ca is None:
        return plain
    return ssl.create_default_context(cafile=ca).wrap_socket(plain, server_hostname="127.0.0.1")


def run(connection: socket.socket, wire: list[bytes], window: int) -> float:
    """Send all of `wire` with at most `window` unacknowledged; give the seconds it took."""
    sent = taken = left = 0
    began = time.perf_counter()
    while taken < len(wire):
        going = min(len(wire), taken + window)
        if sent < going:
            connection.sendall(b"".join(wire[sent:going]))
            sent = going
        is_there = isinstance(connection, ssl.SSLSocket) and connection.pending()
        if not is_there and not select.select([connection], [], [], PATIENCE_S)[0]:
            raise TimeoutError(f"nothing came for {PATIENCE_S:g} s after {taken} of {len(wire)}")
        came = connection.recv(1 << 16)
        if not came:
            raise ConnectionError(f"closed after {taken} of {len(wire)}")
        left += len(came)
        taken, left = taken + left // PUBACK_BYTES, left % PUBACK_BYTES
    return time.perf_counter() - began


def main() -> None:
    """Connect, publish, print the seconds."""
    port, user, password, shape, count, window, *ca = sys.argv[1:]
    wire = [publish_bytes(1 + k % 65535, pack) for k, pack in enumerate(packs(shape, int(count)))]
    with connected(int(port), *ca) as connection:
        connection.sendall(connect_bytes(user, password))
        answer = connection.recv(4)
        if answer != b"\x20\x02\x00\x00":
            raise ConnectionError(f"not let in: {answer.hex()}")
        used = time.process_time()
        took = run(connection, wire, int(window))
        sys.stdout.write(f"{took:.6f} {time.process_time() - used:.6f}\n")


if __name__ == "__main__":
    main()

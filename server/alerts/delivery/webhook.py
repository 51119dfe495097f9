"""Signed webhooks: one CloudEvents object a message, to an address that was checked, and nowhere else.

Source: Standard Webhooks 1.0.0; CloudEvents 1.0, JSON format and HTTP binding; RFC 9110 (Retry-After).
"""

import base64
import hashlib
import hmac
import http.client
import json
import socket
import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from urllib.parse import SplitResult

from server.alerts.delivery.deadline import Deadline, DeadlinedSocket
from server.alerts.delivery.failures import word_of
from server.alerts.delivery.guard import Network, addresses_of, is_named, may_reach
from server.alerts.delivery.values import Answer, Failed, Later, Notice, Refused, Secret, Sent
from server.clock import Clock

CONNECT_S, WHOLE_S, MOST_BYTES = 5.0, 20.0, 64 * 1024
HTTPS = 443
WAITING = frozenset({408, 425, 429})
PREFIX = "whsec_"


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Where to, signed with what: the newest secret first, the one before it while it is changed."""

    url: SplitResult
    secrets: tuple[Secret, ...]
    source: str
    allow: tuple[Network, ...] = ()


class Webhook:
    """A channel to one URL."""

    def __init__(
        self,
        target: Target,
        *,
        clock: Clock,
        resolve: Callable[[str, int], Sequence[str]] = addresses_of,
        trust: ssl.SSLContext | None = None,
        whole_s: float = WHOLE_S,
    ) -> None:
        self._target, self._clock, self._resolve, self._whole_s = target, clock, resolve, whole_s
        self._trust = trust or ssl.create_default_context()

    def send(self, notice: Notice) -> Answer:
        """Post it once: 2xx is sent; 3xx and 4xx are flat refusals but for those that ask for a wait."""
        host, deadline = self._target.url.hostname or "", Deadline(self._whole_s)
        try:
            addresses = self._resolve(host, self._port)
            if not addresses or not self._may_go(addresses):
                return Refused("not allowed")
            return self._post(addresses[0], notice, deadline)
        except (OSError, http.client.HTTPException) as error:
            return Failed(word_of(error))

    @property
    def _port(self) -> int:
        return self._target.url.port or (HTTPS if self._target.url.scheme == "https" else 80)

    def _may_go(self, addresses: Sequence[str]) -> bool:
        """Every address a name gives must pass: one among them may be the trap."""
        is_plain = self._target.url.scheme == "https" and self._port == HTTPS
        # another port, and a connection without TLS, are for the operator's own servers
        allow = self._target.allow
        return all(may_reach(one, allow) if is_plain else is_named(one, allow) for one in addresses)

    def _post(self, address: str, notice: Notice, deadline: Deadline) -> Answer:
        body = body_of(notice, source=self._target.source, at=self._clock())
        # the name is looked up no second time: whoever answers for it could answer otherwise
        real = socket.create_connection((address, self._port), timeout=min(CONNECT_S, deadline.left_s()))
        with DeadlinedSocket(self._secured(real, deadline), deadline, most_bytes=MOST_BYTES) as connection:
            client = http.client.HTTPConnection(self._target.url.hostname or "", self._port)
            client.sock = connection
            client.request("POST", self._path, body=body, headers=self._headers(notice, body))
            response = client.getresponse()
            return self._answer(response.status, response.headers.get("Retry-After"))

    def _secured(self, real: socket.socket, deadline: Deadline) -> socket.socket:
        if self._target.url.scheme != "https":
            return real
        real.settimeout(min(CONNECT_S, deadline.left_s()))
        try:
            return self._trust.wrap_socket(real, server_hostname=self._target.url.hostname)
        except BaseException:
            real.close()
            raise

    @property
    def _path(self) -> str:
        url = self._target.url
        return f"{url.path or '/'}{'?' + url.query if url.query else ''}"

    def _headers(self, notice: Notice, body: bytes) -> dict[str, str]:
        stamp = int(self._clock().timestamp())
        signatures = [sign(one.reveal(), notice.key, stamp, body) for one in self._target.secrets]
        return {
            "Content-Type": "application/cloudevents+json; charset=utf-8",
            "User-Agent": "hangtrue",
            "Connection": "close",
            "webhook-id": notice.key,
            "webhook-timestamp": str(stamp),
            "webhook-signature": " ".join(signatures),
        }

    def _answer(self, status: int, retry_after: str | None) -> Answer:
        if 200 <= status < 300:
            return Sent()
        wait_s = seconds_of(retry_after, self._clock())
        if status in WAITING or status >= 500:
            return Failed("busy", status) if wait_s is None else Later(wait_s, "busy", status)
        return Refused("refused", status)


def sign(secret: str, ident: str, stamp: int, body: bytes) -> str:
    """The signature of a body under its id and time: `v1,` and base64 of HMAC-SHA256.

    `secret` is base64, with or without `whsec_`. Raises ValueError for another text.
    """
    key = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    signed = hmac.new(key, f"{ident}.{stamp}.".encode() + body, hashlib.sha256).digest()
    return f"v1,{base64.b64encode(signed).decode()}"


def body_of(notice: Notice, *, source: str, at: datetime) -> bytes:
    """The CloudEvents object of a message, in JSON."""
    event = {
        "specversion": "1.0",
        "id": notice.key,
        "source": source,
        "type": "hangtrue.notice",
        "subject": notice.subject,
        "time": at.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        "datacontenttype": "application/json",
        "data": [dict(one) for one in notice.said],
    }
    return json.dumps(event, ensure_ascii=False).encode()


def seconds_of(retry_after: str | None, now: datetime) -> float | None:
    """The wait of a Retry-After, in seconds or as a date; None for none or another text."""
    if retry_after is None:
        return None
    text = retry_after.strip()
    if text.isascii() and text.isdigit() and len(text) < 10:
        return float(text)
    try:
        moment = parsedate_to_datetime(text)
    except ValueError:
        return None
    aware = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return max((aware - now).total_seconds(), 0.0)

"""Webhooks over real sockets: signed, to a checked address, ended by their own hour, refused flatly."""

import json
import ssl
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from server.alerts.delivery.guard import network
from server.alerts.delivery.values import Answer, Failed, Later, Notice, Refused, Secret, Sent
from server.alerts.delivery.webhook import Target, Webhook, seconds_of, sign
from tests.alerts.delivery.cases import cases
from tests.alerts.delivery.servers import (
    Script,
    WebServer,
    certificate,
    drips,
    floods,
    hangs,
    hangs_up,
    says,
    web_server,
)
from tests.fakes.clock import HandClock

NEW, OLD = Secret("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"), Secret("whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD")
LINE = {
    "event": "raised",
    "step": "joint_open",
    "cause": "joint:north/lock-hinge",
    "sentence": "…",
    "since": "2027-03-08",
    "link": "http://127.0.0.1:8060/alerts#alert-1",
}
NOTICE = Notice(key="msg_00ff", kind="night", subject="Joint open: North", body="…", said=(LINE,))
OWN = tuple(found for found in [network("127.0.0.1/32")] if found)


def hook(
    port: int, *, host: str = "127.0.0.1", secrets: tuple[Secret, ...] = (NEW,), whole_s: float = 20.0
) -> Webhook:
    target = Target(
        url=urlsplit(f"http://{host}:{port}/notices?to=yard"),
        secrets=secrets,
        source="saltmarsh-yard",
        allow=OWN,
    )
    return Webhook(target, clock=HandClock(), whole_s=whole_s)


def test_published_signature() -> None:
    case = cases("signature")[0]
    made = sign(case["secret"], case["id"], case["timestamp"], case["body"].encode())
    assert made == case["expect"]
    assert sign(f"whsec_{case['secret']}", case["id"], case["timestamp"], case["body"].encode()) == made


def test_it_posts_one_cloud_event_signed_with_each_secret() -> None:
    with web_server(lambda _: says("204 No Content")) as server:
        assert hook(server.port, secrets=(NEW, OLD)).send(NOTICE) == Sent()
    head, body = server.headers(), server.bodies[0]
    assert server.requests[0].startswith(b"POST /notices?to=yard HTTP/1.1\r\n")
    assert head["host"] == f"127.0.0.1:{server.port}"
    assert head["webhook-id"] == "msg_00ff"
    stamp = int(head["webhook-timestamp"])
    assert stamp == int(HandClock()().timestamp())
    # The receiver's side of the standard: the same sum over what came.
    assert head["webhook-signature"].split() == [
        sign(one.reveal(), "msg_00ff", stamp, body) for one in (NEW, OLD)
    ]
    assert head["content-type"] == "application/cloudevents+json; charset=utf-8"
    assert json.loads(body) == {
        "specversion": "1.0",
        "id": "msg_00ff",
        "source": "saltmarsh-yard",
        "type": "hangtrue.notice",
        "subject": "Joint open: North",
        "time": "2026-01-01T12:00:00Z",
        "datacontenttype": "application/json",
        "data": [LINE],
    }


@pytest.mark.parametrize(
    ("status", "headers", "answer"),
    [
        ("200 OK", (), Sent()),
        ("202 Accepted", (), Sent()),
        ("301 Moved", ("Location: http://127.0.0.1:1/",), Refused("refused", 301)),
        ("307 Temporary", ("Location: http://127.0.0.1:1/",), Refused("refused", 307)),
        ("400 Bad", (), Refused("refused", 400)),
        ("404 Not Found", (), Refused("refused", 404)),
        ("410 Gone", (), Refused("refused", 410)),
        ("408 Timeout", (), Failed("busy", 408)),
        ("425 Early", (), Failed("busy", 425)),
        ("429 Many", ("Retry-After: 90",), Later(90.0, "busy", 429)),
        ("429 Many", ("Retry-After: soon",), Failed("busy", 429)),
        ("500 Error", (), Failed("busy", 500)),
        ("503 Busy", ("Retry-After: Thu, 01 Jan 2026 12:05:00 GMT",), Later(300.0, "busy", 503)),
    ],
)
def test_each_status_has_its_answer(status: str, headers: tuple[str, ...], answer: Answer) -> None:
    with web_server(lambda _: says(status, *headers)) as server:
        assert hook(server.port).send(NOTICE) == answer
    assert len(server.requests) == 1  # no redirect is followed, nothing is sent twice


@pytest.mark.parametrize(
    ("script", "answer"),
    [
        (hangs, Failed("too slow")),
        (drips, Failed("too slow")),
        (lambda _: floods, Failed("too slow")),
        (lambda _: hangs_up, Failed("no answer")),
    ],
    ids=["hangs", "drips", "floods", "hangs-up"],
)
def test_a_bad_server_ends_by_the_hour(script: Callable[[WebServer], Script], answer: Answer) -> None:
    with web_server(script) as server:
        assert hook(server.port, whole_s=0.4).send(NOTICE) == answer


def test_nobody_there() -> None:
    with web_server(lambda _: hangs_up) as server:
        port = server.port
    assert hook(port).send(NOTICE) == Failed("no answer")


@pytest.mark.parametrize(
    "url",
    [
        "https://10.0.0.5/",
        "https://169.254.169.254/latest/",
        "https://[::1]/",
        "https://localhost/",
        "https://127.1/",
        "https://0x7f000001/",
        "http://93.184.215.14/",  # public, but without TLS
        "https://93.184.215.14:8443/",  # public, but another port
    ],
)
def test_a_private_network_is_not_reached(url: str) -> None:
    target = Target(url=urlsplit(url), secrets=(NEW,), source="saltmarsh-yard")
    assert Webhook(target, clock=HandClock()).send(NOTICE) == Refused("not allowed")


def test_a_name_with_one_private_address_is_not_reached() -> None:
    target = Target(url=urlsplit("https://hooks.example/"), secrets=(NEW,), source="saltmarsh-yard")
    answers = ["93.184.215.14", "10.0.0.5"]
    refused = Webhook(target, clock=HandClock(), resolve=lambda _host, _port: answers).send(NOTICE)
    assert refused == Refused("not allowed")


def test_a_mistyped_name() -> None:
    target = Target(url=urlsplit("https://no-such-name.invalid/"), secrets=(NEW,), source="saltmarsh-yard")
    assert Webhook(target, clock=HandClock()).send(NOTICE) == Failed("no name")


def test_the_connection_goes_to_the_address_that_was_checked() -> None:
    """The name is looked up once: who answers otherwise a second time gains nothing."""
    with web_server(lambda _: says("200 OK")) as server:
        asked: list[str] = []

        def resolve(host: str, _port: int) -> list[str]:
            asked.append(host)
            return ["127.0.0.1"]

        url = urlsplit(f"http://no-such-name.invalid:{server.port}/")
        target = Target(url=url, secrets=(NEW,), source="saltmarsh-yard", allow=OWN)
        assert Webhook(target, clock=HandClock(), resolve=resolve).send(NOTICE) == Sent()
    assert asked == ["no-such-name.invalid"]
    assert server.headers()["host"] == f"no-such-name.invalid:{server.port}"


@contextmanager
def secured(folder: Path, name: str) -> Iterator[tuple[WebServer, ssl.SSLContext]]:
    cert, key = certificate(folder, name)
    ours = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    ours.load_cert_chain(cert, key)
    with web_server(lambda _: says("200 OK"), tls=ours) as server:
        yield server, ssl.create_default_context(cafile=str(cert))


@pytest.mark.parametrize(
    ("name", "answer"), [("hooks.example", Sent()), ("other.example", Failed("certificate"))]
)
def test_tls_holds_the_other_side_to_the_name(tmp_path: Path, name: str, answer: Answer) -> None:
    with secured(tmp_path, name) as (server, trust):
        url = urlsplit(f"https://hooks.example:{server.port}/")
        target = Target(url=url, secrets=(NEW,), source="saltmarsh-yard", allow=OWN)
        made = Webhook(target, clock=HandClock(), resolve=lambda _h, _p: ["127.0.0.1"], trust=trust)
        assert made.send(NOTICE) == answer


@pytest.mark.parametrize(
    ("text", "wait_s"),
    [
        (None, None),
        ("0", 0.0),
        ("120", 120.0),
        ("-1", None),
        ("1e9", None),
        ("99999999999", None),
        ("Fri, 02 Jan 2026 00:00:00 GMT", 43200.0),
        ("Wed, 31 Dec 2025 00:00:00 GMT", 0.0),
    ],
)
def test_retry_after(text: str | None, wait_s: float | None) -> None:
    assert seconds_of(text, datetime(2026, 1, 1, 12, tzinfo=UTC)) == wait_s

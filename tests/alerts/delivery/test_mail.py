"""Mail to a real server of this computer: its heads, a mistyped address, a full mailbox, a slow server."""

import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from email import message_from_bytes
from email.message import Message
from email.policy import default
from pathlib import Path

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session

from server.alerts.delivery.mail import Mail, MailServer
from server.alerts.delivery.values import Answer, Failed, Notice, Refused, Secret, Sent
from tests.alerts.delivery.servers import certificate
from tests.fakes.clock import HandClock

NOTICE = Notice(
    key="msg_00ff",
    kind="night",
    subject="Joint open: Nörth, lock rail, hinge side",
    body="Joint open: Nörth.\n.\nNot a safety device: look at the door itself.\n",
    to="keeper@saltmarsh.example",
)


class Box:
    """A mailbox that refuses whom it does not know and what it has no room for."""

    def __init__(self) -> None:
        self.mails: list[Message] = []
        self.sent_to: list[str] = []

    async def handle_RCPT(  # noqa: N802  # the library's name
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address.startswith("nobody"):
            return "550 5.1.1 no such mailbox"
        if address.startswith("later"):
            return "450 4.2.1 come back"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        if envelope.rcpt_tos[0].startswith("full"):
            return "452 4.2.2 mailbox full"
        if envelope.rcpt_tos[0].startswith("picky"):
            return "554 5.7.1 not wanted"
        assert isinstance(envelope.content, bytes)
        self.mails.append(message_from_bytes(envelope.content, policy=default))
        self.sent_to += envelope.rcpt_tos
        return "250 OK"


@contextmanager
def mailbox(**options: object) -> Iterator[tuple[Box, int]]:
    box = Box()
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = int(free.getsockname()[1])
    controller = Controller(box, hostname="127.0.0.1", port=port, **options)  # type: ignore[arg-type]  # its own options
    controller.start()
    try:
        yield box, port
    finally:
        controller.stop()


def mail(port: int, *, security: str = "none", host: str = "127.0.0.1", **given: object) -> Mail:
    server = MailServer(
        host=host,
        port=port,
        security=security,
        sender="doors@saltmarsh.example",
        site="saltmarsh-yard",
        user=given.get("user"),  # type: ignore[arg-type]  # text or none
        password=given.get("password"),  # type: ignore[arg-type]  # secret or none
    )
    trust = given.get("trust")
    assert trust is None or isinstance(trust, ssl.SSLContext)
    return Mail(server, clock=HandClock(), trust=trust, whole_s=float(str(given.get("whole_s", 20.0))))


def to(address: str) -> Notice:
    return Notice(key="msg_00ff", kind="night", subject="Not heard: North", body="…\n", to=address)


def test_a_mail_arrives_with_its_heads() -> None:
    with mailbox() as (box, port):
        assert mail(port).send(NOTICE) == Sent()
    (came,) = box.mails
    heads = {name.lower(): str(value) for name, value in came.items()}
    assert heads["message-id"] == "<msg_00ff@saltmarsh-yard>"
    assert heads["auto-submitted"] == "auto-generated"
    assert heads["subject"] == NOTICE.subject
    assert heads["from"] == "doors@saltmarsh.example"
    assert heads["to"] == "keeper@saltmarsh.example"
    assert heads["date"] == "Thu, 01 Jan 2026 12:00:00 +0000"
    assert came.get_content_type() == "text/plain"
    payload = came.get_payload(decode=True)
    assert isinstance(payload, bytes)
    assert payload.decode().replace("\r\n", "\n") == NOTICE.body
    assert "references" not in heads


def test_a_later_mail_of_an_alert_refers_to_its_first() -> None:
    follows = Notice(
        key="msg_01", kind="night", subject="Still", body="…\n", follows="msg_00", to="a@b.example"
    )
    with mailbox() as (box, port):
        assert mail(port).send(follows) == Sent()
    assert box.mails[0]["References"] == "<msg_00@saltmarsh-yard>"


@pytest.mark.parametrize(
    ("address", "answer"),
    [
        ("nobody@saltmarsh.example", Refused("refused", 550)),
        ("later@saltmarsh.example", Failed("busy", 450)),
        ("full@saltmarsh.example", Failed("busy", 452)),
        ("picky@saltmarsh.example", Refused("refused", 554)),
    ],
)
def test_a_mistyped_address_and_a_full_mailbox_are_told_apart(address: str, answer: Answer) -> None:
    with mailbox() as (box, port):
        assert mail(port).send(to(address)) == answer
    assert box.mails == []


def test_nobody_there_and_no_such_server() -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = int(free.getsockname()[1])
    assert mail(port).send(NOTICE) == Failed("no answer")
    assert mail(25, host="no-such-name.invalid").send(NOTICE) == Failed("no name")
    assert mail(port).send(Notice(key="k", kind="night", subject="s", body="b")) == Refused("no name")


def test_without_starttls_nothing_is_sent() -> None:
    with mailbox() as (box, port):
        assert mail(port, security="starttls").send(NOTICE) == Failed("certificate")
    assert box.mails == []


@pytest.mark.parametrize("name", ["localhost", "other.example"])
def test_starttls_holds_the_server_to_its_name(tmp_path: Path, name: str) -> None:
    cert, key = certificate(tmp_path, name)
    ours = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    ours.load_cert_chain(cert, key)
    trust = ssl.create_default_context(cafile=str(cert))
    with mailbox(tls_context=ours, require_starttls=True) as (box, port):
        answer = mail(port, security="starttls", host="localhost", trust=trust).send(NOTICE)
    assert answer == (Sent() if name == "localhost" else Failed("certificate"))
    assert len(box.mails) == (name == "localhost")


@pytest.mark.parametrize(("password", "answer"), [("right", Sent()), ("wrong", Refused("refused", 535))])
def test_it_signs_in(tmp_path: Path, password: str, answer: Answer) -> None:
    cert, key = certificate(tmp_path, "localhost")
    ours = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    ours.load_cert_chain(cert, key)
    trust = ssl.create_default_context(cafile=str(cert))

    def check(_server: object, _session: object, _envelope: object, _how: str, said: object) -> AuthResult:
        return AuthResult(success=getattr(said, "password", b"") == b"right", handled=False)

    with mailbox(tls_context=ours, authenticator=check, auth_required=True) as (box, port):
        made = mail(
            port, security="starttls", host="localhost", trust=trust, user="doors", password=Secret(password)
        )
        assert made.send(NOTICE) == answer
    assert len(box.mails) == (answer == Sent())


@contextmanager
def dripping(first: bytes) -> Iterator[int]:
    stop = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listening:

        def serve() -> None:
            with suppress(OSError), listening.accept()[0] as connection:
                connection.sendall(first)
                while not stop.wait(0.01):
                    connection.sendall(b"x")

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield int(listening.getsockname()[1])
        stop.set()
        thread.join(10)


@pytest.mark.parametrize("first", [b"", b"220 here\r\n250-"], ids=["greeting", "after-greeting"])
def test_a_server_that_drips_is_left_by_the_hour(first: bytes) -> None:
    with dripping(first) as port:
        assert mail(port, whole_s=0.4).send(NOTICE) == Failed("too slow")

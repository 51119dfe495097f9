"""Mail, one recipient a message, with a Message-ID that is the same at every try.

Source: RFC 5321, 5322, 3834 (Auto-Submitted); Python's `smtplib` and `email`.
"""

import smtplib
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from email.message import EmailMessage
from email.policy import SMTP as MAIL
from email.utils import format_datetime

from server.alerts.delivery.failures import word_of
from server.alerts.delivery.values import Answer, Failed, Notice, Refused, Secret, Sent
from server.clock import Clock

CONNECT_S, WHOLE_S = 10.0, 40.0
FLAT = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class MailServer:
    """The server that takes our mail. `security`: `starttls`, `tls`, or `none` (on this computer alone)."""

    host: str
    port: int
    security: str
    sender: str
    site: str
    user: str | None = None
    password: Secret | None = None


class Mail:
    """A channel to one mail server; whom to is in the message."""

    def __init__(
        self,
        server: MailServer,
        *,
        clock: Clock,
        trust: ssl.SSLContext | None = None,
        whole_s: float = WHOLE_S,
    ) -> None:
        self._server, self._clock, self._whole_s = server, clock, whole_s
        self._trust = trust or ssl.create_default_context()

    def send(self, notice: Notice) -> Answer:
        """Hand it to the server once; 5xx is a flat refusal, of the recipient or of the mail."""
        if notice.to is None:
            return Refused("no name")
        try:
            mail = letter(notice, server=self._server, clock=self._clock)
            return self._hand_over(mail)
        except smtplib.SMTPRecipientsRefused as refused:
            return _by_code(next(iter(refused.recipients.values()))[0])
        except smtplib.SMTPResponseException as answer:
            return _by_code(answer.smtp_code)
        except (OSError, smtplib.SMTPException) as error:
            return Failed(word_of(error))

    def _hand_over(self, mail: EmailMessage) -> Answer:
        with self._connected() as connection:
            if self._server.user is not None and self._server.password is not None:
                connection.login(self._server.user, self._server.password.reveal())
            connection.send_message(mail)
        return Sent()

    @contextmanager
    def _connected(self) -> Iterator[smtplib.SMTP]:
        connection = (
            smtplib.SMTP_SSL(timeout=CONNECT_S, context=self._trust)
            if self._server.security == "tls"
            else smtplib.SMTP(timeout=CONNECT_S)
        )
        # given to its making instead, the name would connect at once, before anything can end it
        connection._host = self._server.host  # type: ignore[attr-defined]  # the library has no other way
        with _ended_after(connection, self._whole_s) as is_over:
            try:
                connection.connect(self._server.host, self._server.port)
                if self._server.security == "starttls":
                    connection.starttls(context=self._trust)
                yield connection
            except (OSError, smtplib.SMTPException):
                if is_over.is_set():
                    raise TimeoutError("the time is over") from None
                raise
            finally:
                with suppress(OSError, smtplib.SMTPException):
                    connection.quit()
                connection.close()


@contextmanager
def _ended_after(connection: smtplib.SMTP, seconds: float) -> Iterator[threading.Event]:
    """End a conversation after so long, however slowly the other side drips."""
    is_over = threading.Event()

    def end() -> None:
        is_over.set()
        if connection.sock is not None:
            with suppress(OSError):
                socket.socket.shutdown(connection.sock, socket.SHUT_RDWR)

    timer = threading.Timer(seconds, end)
    timer.daemon = True
    timer.start()
    try:
        yield is_over
    finally:
        timer.cancel()
        timer.join()


def letter(notice: Notice, *, server: MailServer, clock: Clock) -> EmailMessage:
    """The mail of a message: plain text, its own key as Message-ID, answering to the first of its alert."""
    mail = EmailMessage(policy=MAIL)
    mail["From"] = server.sender
    mail["To"] = notice.to
    mail["Subject"] = notice.subject
    mail["Date"] = format_datetime(clock())
    mail["Message-ID"] = f"<{notice.key}@{server.site}>"
    mail["Auto-Submitted"] = "auto-generated"
    if notice.follows:
        mail["In-Reply-To"] = mail["References"] = f"<{notice.follows}@{server.site}>"
    mail.set_content(notice.body)
    return mail


def _by_code(code: int) -> Answer:
    return Refused("refused", code) if code >= FLAT else Failed("busy", code)

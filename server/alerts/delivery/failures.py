"""What an error of a connection is called: a word of the closed list, and nothing of the error itself."""

import smtplib
import socket
import ssl

from server.alerts.delivery.deadline import TooMuchError
from server.alerts.delivery.values import Word

WORDS: tuple[tuple[type[Exception], Word], ...] = (
    (ssl.SSLCertVerificationError, "certificate"),
    (smtplib.SMTPNotSupportedError, "certificate"),  # it offers no encryption, and without it nothing is sent
    (socket.gaierror, "no name"),
    (TimeoutError, "too slow"),
    (TooMuchError, "too slow"),
)


def word_of(error: Exception) -> Word:
    """The word for an error."""
    return next((word for kind, word in WORDS if isinstance(error, kind)), "no answer")

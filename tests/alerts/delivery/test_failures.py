"""Each error of a connection has one word of the closed list, and nothing of the error shows."""

import http.client
import smtplib
import socket
import ssl

import pytest

from server.alerts.delivery.deadline import TooMuchError
from server.alerts.delivery.failures import word_of


@pytest.mark.parametrize(
    ("error", "word"),
    [
        (ssl.SSLCertVerificationError("hunter2"), "certificate"),
        (smtplib.SMTPNotSupportedError("hunter2"), "certificate"),
        (socket.gaierror("hunter2"), "no name"),
        (TimeoutError("hunter2"), "too slow"),
        (TooMuchError("hunter2"), "too slow"),
        (ConnectionRefusedError("hunter2"), "no answer"),
        (ConnectionResetError("hunter2"), "no answer"),
        (ssl.SSLError("hunter2"), "no answer"),
        (http.client.BadStatusLine("hunter2"), "no answer"),
        (smtplib.SMTPServerDisconnected("hunter2"), "no answer"),
    ],
)
def test_each_error_has_its_word(error: Exception, word: str) -> None:
    assert word_of(error) == word

"""The keyring: who a user is, at the price of one key derivation and then of none."""

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from server.auth.credentials import issue, revoke
from server.auth.keyring import Keyring
from server.auth.passwords import hashed
from server.database import session_of
from tests.fakes.clock import HandClock


class Counted:
    """The real key derivation, counted."""

    def __init__(self) -> None:
        self.times = 0

    def __call__(self, password: bytes, salt: bytes) -> bytes:
        self.times += 1
        return hashed(password, salt)


@pytest.fixture
def counted() -> Counted:
    return Counted()


@pytest.fixture
def keyring(engine: Engine, counted: Counted) -> Keyring:
    return Keyring(lambda: Session(engine), derive=counted)


@pytest.fixture
def password(engine: Engine, clock: HandClock) -> bytes:
    with session_of(engine) as session:
        told = issue(session, node_id=None, user="screen", role="watch", generation=1, now=clock())
    return told.encode()


def test_the_right_password_tells_who_it_is(keyring: Keyring, password: bytes) -> None:
    known = keyring.identify("screen", password)
    assert known is not None
    assert (known.user, known.role, known.node_id, known.revoked) == ("screen", "watch", None, False)


def test_a_password_that_was_right_costs_nothing_again(
    keyring: Keyring, counted: Counted, password: bytes
) -> None:
    first, again = keyring.identify("screen", password), keyring.identify("screen", password)
    assert first == again
    assert first is not None
    assert counted.times == 1


def test_a_wrong_password_is_never_remembered(keyring: Keyring, counted: Counted, password: bytes) -> None:
    assert keyring.identify("screen", password) is not None
    for wrong in (password.lower(), b"", password + b"0"):
        assert keyring.identify("screen", wrong) is None
        assert keyring.identify("screen", wrong) is None
    assert counted.times == 1 + 6


def test_a_stranger_costs_as_much_as_a_user(keyring: Keyring, counted: Counted) -> None:
    assert keyring.identify("nobody", b"x") is None
    assert counted.times == 1


def test_a_password_of_any_length_costs_no_more_than_a_refusal(keyring: Keyring, counted: Counted) -> None:
    assert keyring.identify("screen", b"x" * 257) is None
    assert counted.times == 0


def test_a_revoked_user_is_told_as_revoked_even_when_remembered(
    engine: Engine, keyring: Keyring, password: bytes, clock: HandClock
) -> None:
    assert keyring.identify("screen", password) is not None
    with session_of(engine) as session:
        revoke(session, "screen", now=clock())
    known = keyring.identify("screen", password)
    assert known is not None
    assert known.revoked is True
    assert keyring.identify("screen", b"wrong") is None

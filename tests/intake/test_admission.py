"""Terms that a CONNECT gets, and who is let in at all."""

import pytest

from server.intake.admission import (
    RefusedConnectError,
    check_connect,
    check_identity,
    check_owner,
    connack_of,
    owner_of,
    terms_of,
)
from server.intake.limits import Limits
from server.intake.packets import Will
from server.intake.reasons import Reason
from server.intake.values import Identity, SessionState
from tests.fakes.intake import NORTH, connect_of

LIMITS = Limits()
NODE = Identity(credential_id=1, user="u", role="node", site="saltmarsh-yard", node="north")
DAY_S = 86400

# version, changes of CONNECT -> seconds that the session outlives the connection, seconds of silence allowed
TERMS: list[tuple[int, dict[str, object], int, float]] = [
    (4, {"clean": True}, 0, 90),
    (4, {"clean": False}, 30 * DAY_S, 90),
    (4, {"keep_alive_s": 0}, 0, 1800),
    (4, {"keep_alive_s": 3600}, 0, 1800),
    (5, {"keep_alive_s": 0}, 0, 2700),
    (5, {"keep_alive_s": 1800}, 0, 2700),
    (5, {"clean": False}, 0, 90),
    (5, {"properties": {"session_expiry_s": 7 * DAY_S}}, 7 * DAY_S, 90),
    (5, {"properties": {"session_expiry_s": 90 * DAY_S}}, 30 * DAY_S, 90),
]


@pytest.mark.parametrize(("version", "changes", "session_s", "silent_s"), TERMS)
def test_terms(version: int, changes: dict[str, object], session_s: int, silent_s: float) -> None:
    terms = terms_of(connect_of(version, **changes), LIMITS, new_id="new")
    assert (terms.session_s, terms.silent_s) == (session_s, silent_s)


@pytest.mark.parametrize(("asked_s", "given_s"), [(10, 10), (1000, 300)])
def test_a_will_waits_at_most_300_s(asked_s: int, given_s: int) -> None:
    will = Will(topic=NORTH + "status", payload=b"", properties={"will_delay_s": asked_s})
    connect = connect_of(5, will=will, properties={"session_expiry_s": DAY_S})
    assert terms_of(connect, LIMITS, new_id="new").will_delay_s == given_s


def test_only_what_differs_from_the_wish_is_told() -> None:
    plain = terms_of(connect_of(5), LIMITS, new_id="new")
    told = connack_of(plain, LIMITS, session_present=True)
    assert told.session_present
    assert told.properties.keys().isdisjoint(
        {"assigned_client_id", "server_keep_alive_s", "session_expiry_s"}
    )
    assert connack_of(terms_of(connect_of(4), LIMITS, new_id="new"), LIMITS, session_present=False).code == 0


def test_whose_a_client_id_is_does_not_change_with_the_password() -> None:
    second = Identity(credential_id=2, user="v", role="node", site="saltmarsh-yard", node="north")
    watcher = Identity(credential_id=3, user="w", role="watch")
    check_owner(SessionState(client_id="c", credential_id=1, owner="saltmarsh-yard/north"), second)
    check_owner(SessionState(client_id="c", credential_id=2), second)
    check_owner(None, second)
    for state in (
        SessionState(client_id="c", credential_id=2, owner="saltmarsh-yard/south"),
        SessionState(client_id="c", credential_id=1),
    ):
        with pytest.raises(RefusedConnectError):
            check_owner(state, second)
    assert owner_of(NODE) == owner_of(second) == "saltmarsh-yard/north"
    assert owner_of(watcher) == "w"


def test_a_refusal_says_what_is_needed() -> None:
    with pytest.raises(RefusedConnectError) as caught:
        check_identity(None, connect_of(4))
    assert caught.value.reason == Reason.BAD_USER_OR_PASSWORD
    assert str(caught.value) == "connect: needs a user and password that are known, got others"
    with pytest.raises(RefusedConnectError):
        check_connect(connect_of(4, client_id="", clean=False), LIMITS)
    assert check_identity(NODE, connect_of(4)) == NODE

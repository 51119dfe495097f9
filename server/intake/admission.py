"""Whether a CONNECT is let in, and on which terms. Pure."""

from dataclasses import dataclass

from server.errors import HangtrueError
from server.intake.limits import Limits
from server.intake.packets import Connack, Connect
from server.intake.properties import Value, number
from server.intake.reasons import Reason
from server.intake.topics import own_topic
from server.intake.values import Identity, SessionState

SLACK = 1.5  # of the keep-alive, before silence ends a connection (3:3.1.2-24, 5:3.1.2-22)
ROLES = ("node", "watch")


class RefusedConnectError(HangtrueError):
    """A CONNECT that is not let in, with the reason code of 5.0."""

    def __init__(self, reason: Reason, needed: str, came: str) -> None:
        super().__init__("connect", needed, came)
        self.reason = reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What holds between the listener and one client. `session_s` 0: forgotten with the connection."""

    version: int
    client_id: str
    is_assigned: bool
    clean: bool
    session_s: int
    asked_session_s: int
    keep_alive_s: int
    is_keep_alive_ours: bool
    receive_maximum: int
    maximum_packet_bytes: int
    wants_problem: bool
    will_delay_s: int

    @property
    def silent_s(self) -> float:
        """Seconds of silence that end the connection."""
        is_bare = self.is_keep_alive_ours and self.version == 4  # it was never told of ours
        return self.keep_alive_s * (1.0 if is_bare else SLACK)


def check_connect(connect: Connect, limits: Limits) -> None:
    """Refuse what can be refused without asking the database. Raises RefusedConnectError."""
    if "authentication_method" in connect.properties:
        raise RefusedConnectError(Reason.BAD_AUTHENTICATION_METHOD, "user and password", "another method")
    if connect.version == 4 and not connect.client_id and not connect.clean:
        raise RefusedConnectError(Reason.BAD_CLIENT_ID, "a client id for a kept session", "none")  # 3:3.1.3-8
    if len(connect.client_id.encode()) > limits.client_id_bytes:
        raise RefusedConnectError(
            Reason.BAD_CLIENT_ID, f"a client id of at most {limits.client_id_bytes} bytes", "a longer one"
        )
    if connect.will and connect.will.qos == 2:
        raise RefusedConnectError(Reason.QOS_NOT_SUPPORTED, "a will of QoS 0 or 1", "QoS 2")
    if connect.user is None or connect.password is None:
        raise RefusedConnectError(Reason.BAD_USER_OR_PASSWORD, "a user and a password", "none")


def check_identity(identity: Identity | None, connect: Connect) -> Identity:
    """The identity that may connect. Raises RefusedConnectError for any other."""
    if identity is None:
        raise RefusedConnectError(Reason.BAD_USER_OR_PASSWORD, "a user and password that are known", "others")
    if identity.revoked:
        raise RefusedConnectError(Reason.NOT_AUTHORIZED, "a credential in force", "one that was revoked")
    if identity.role not in ROLES:
        raise RefusedConnectError(Reason.NOT_AUTHORIZED, "the role node or watch", repr(identity.role)[:40])
    if connect.will and (identity.role != "node" or connect.will.topic != own_topic(identity, "status")):
        raise RefusedConnectError(
            Reason.NOT_AUTHORIZED, "a will on the node's own status", repr(connect.will.topic)[:40]
        )
    return identity


def owner_of(identity: Identity) -> str:
    """Whose a client id is: the node's over all its passwords, else the user's."""
    return f"{identity.site}/{identity.node}" if identity.role == "node" else identity.user


def check_owner(state: SessionState | None, identity: Identity) -> None:
    """Refuse a client id whose session is another's. Raises RefusedConnectError."""
    if state is None:
        return
    is_own = (
        state.owner == owner_of(identity) if state.owner else state.credential_id == identity.credential_id
    )
    if not is_own:
        raise RefusedConnectError(
            Reason.BAD_CLIENT_ID, "a client id of one's own", "that of another credential"
        )


def terms_of(connect: Connect, limits: Limits, *, new_id: str) -> Terms:
    """The terms that a CONNECT asks for, within the limits. `new_id` names a client that gave no name."""
    properties, is_5 = connect.properties, connect.version == 5
    forever = 0 if connect.clean else limits.session_s
    asked_s = number(properties, "session_expiry_s", 0) if is_5 else forever
    session_s = min(asked_s, limits.session_s)
    is_ours = not 0 < connect.keep_alive_s <= limits.keep_alive_s
    will_delay_s = number(connect.will.properties, "will_delay_s", 0) if connect.will else 0
    return Terms(
        version=connect.version,
        client_id=connect.client_id or new_id,
        is_assigned=not connect.client_id,
        clean=connect.clean,
        session_s=session_s,
        asked_session_s=asked_s,
        keep_alive_s=limits.keep_alive_s if is_ours else connect.keep_alive_s,
        is_keep_alive_ours=is_ours,
        receive_maximum=number(properties, "receive_maximum", 65535),
        maximum_packet_bytes=number(properties, "maximum_packet_bytes", 268_435_455),
        wants_problem=number(properties, "request_problem", 1) == 1,
        will_delay_s=min(will_delay_s, limits.will_delay_s, session_s),
    )


def connack_of(terms: Terms, limits: Limits, *, session_present: bool) -> Connack:
    """The CONNACK that lets a client in and tells it our bounds (5:3.2.2.3)."""
    properties: dict[str, Value] = {
        "maximum_qos": 1,
        "receive_maximum": limits.in_flight,
        "maximum_packet_bytes": limits.packet_bytes,
        "retain_available": 1,
        "wildcard_available": 1,
        "subscription_id_available": 0,
        "shared_available": 0,
        "topic_alias_maximum": 0,
    }
    if terms.is_assigned:
        properties["assigned_client_id"] = terms.client_id
    if terms.is_keep_alive_ours:
        properties["server_keep_alive_s"] = terms.keep_alive_s
    if terms.session_s != terms.asked_session_s:
        properties["session_expiry_s"] = terms.session_s
    return Connack(session_present=session_present, properties=properties if terms.version == 5 else {})

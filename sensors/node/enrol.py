"""Enrolment at the node: the code is read, tried once, and only then kept."""

import os
import socket
import ssl
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

from sensors.config import LOOPBACK, Broker, NodeError, NodeFile
from sensors.message.enrolment import Code, CodeError, read_code
from sensors.message.names import client_id, topic
from sensors.message.statement import LAST_WILL
from sensors.publisher.passwords import NEW, OWN, Login
from sensors.publisher.transport import PahoTransport

ANSWER_S, CONNECT_S = 15.0, 10.0
WRONG, AWAY = 2, 3
NAME_MISMATCH = 62  # X509_V_ERR_HOSTNAME_MISMATCH; an address that is not there is 64
ADDRESS_MISMATCH = 64


class EnrolError(NodeError):
    """An enrolment that failed, in one sentence after `no`; nothing that was there before was changed."""

    def __init__(self, said: str, *, status: int = WRONG) -> None:
        super().__init__("enrol", "a code of this node", said, status=status)
        self.said = said

    def __str__(self) -> str:
        return f"no {self.said}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where the certificate goes; `trial` holds it until it has been found to work."""

    ca: Path
    trial: Path


def enrol_node(node: NodeFile, line: str, *, now_ms: int) -> str:
    """Take the code of an enrolment, try it, and keep it: what the node answers. Raises EnrolError."""
    try:
        code = read_code(line)
    except CodeError as fault:
        raise EnrolError(str(fault)) from None
    _check_place(node, code)
    try:
        _try_and_keep(node, code, now_ms)
    except OSError as error:
        came = error.strerror or "an error"
        raise EnrolError(
            f"disk: the folder {node.state_dir} cannot be written ({came})", status=AWAY
        ) from None
    tail = "can publish; first password changes itself at first contact"
    return f"ok {client_id(code.site, code.node)}: {code.site}/{code.node} {tail}"


def _check_place(node: NodeFile, code: Code) -> None:
    if (code.site, code.node) != (node.site, node.node):
        raise EnrolError(f"node: the code is for {code.site}/{code.node}, this is {node.site}/{node.node}")
    broker = node.broker
    if (code.host, code.port) != (broker.host, broker.port):
        wanted = f'host = "{code.host}" and port = {code.port}'
        raise EnrolError(f"address: put {wanted} under [broker] in the node's file, then give the code again")
    if code.ca is None and code.host not in LOOPBACK:
        raise EnrolError("certificate: off this computer the code must bring the site's; ask for a new one")
    if code.ca is not None and not broker.ca_file:
        raise EnrolError("place: put ca_file, a path for the site's certificate, under [broker]")


def _try_and_keep(node: NodeFile, code: Code, now_ms: int) -> None:
    node.state_dir.mkdir(mode=0o700, parents=True, exist_ok=True)
    broker, place = node.broker, None
    if code.ca is not None:
        ca = Path(broker.ca_file)
        place = _Place(ca=ca, trial=ca.with_name(ca.name + ".new"))
        _check_times(code.ca, now_ms)
        _write(place.trial, ssl.DER_cert_to_PEM_cert(code.ca), mode=0o644)
        broker = replace(broker, ca_file=str(place.trial))
    try:
        if place is not None:
            _check_name(broker)
        _check_password(node, broker, code)
        _keep(node, code, place)
    finally:
        if place is not None:
            place.trial.unlink(missing_ok=True)


def _check_times(ca: bytes, now_ms: int) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    try:
        context.load_verify_locations(cadata=ca)
        (told,) = context.get_ca_certs()
    except (ssl.SSLError, ValueError):
        raise EnrolError("certificate: the code holds none that can be read; ask for a new one") from None
    begins_s, ends_s = (ssl.cert_time_to_seconds(str(told[name])) for name in ("notBefore", "notAfter"))
    if now_ms < begins_s * 1000:
        day = datetime.fromtimestamp(now_ms / 1000, UTC)
        raise EnrolError(f"time: certificate not yet valid on this clock ({day:%Y-%m-%d}); set the clock")
    if now_ms > ends_s * 1000:
        day = datetime.fromtimestamp(ends_s, UTC)
        raise EnrolError(f"time: the site's certificate ended on {day:%Y-%m-%d}; ask for a new one")


def _check_name(broker: Broker) -> None:
    """Shake hands once: the chain, then the name."""
    context = ssl.create_default_context(cafile=broker.ca_file)
    try:
        _shake(context, broker)
    except ssl.SSLCertVerificationError as error:
        if error.verify_code in (NAME_MISMATCH, ADDRESS_MISMATCH):
            context.check_hostname = False
            names = ", ".join(_shake(context, broker)) or "nobody"
            raise EnrolError(f"name: certificate is for {names}, the code says {broker.host}") from None
        said = (
            f"certificate: the collector's is not of the site's CA ({error.verify_message}); nothing was sent"
        )
        raise EnrolError(said) from None
    except OSError as error:
        raise _away(broker, str(error)) from None


def _shake(context: ssl.SSLContext, broker: Broker) -> list[str]:
    """The names of the certificate that is shown."""
    with (
        socket.create_connection((broker.host, broker.port), timeout=CONNECT_S) as plain,
        context.wrap_socket(plain, server_hostname=broker.host) as wrapped,
    ):
        told = wrapped.getpeercert() or {}
    names = cast("tuple[tuple[str, str], ...]", told.get("subjectAltName", ()))
    return [value for _, value in names]


def _check_password(node: NodeFile, broker: Broker, code: Code) -> None:
    user = f"{code.site}.{code.node}.{code.generation}"
    transport = PahoTransport(
        broker,
        site=code.site,
        node=code.node,
        login=Login(user=user, password=code.password, generation=code.generation),
        will=(topic(node.site, node.node, "status"), LAST_WILL),
        words=[topic(node.site, node.node, "config")],
    )
    transport.connect()
    try:
        event = transport.next_event(ANSWER_S)
    finally:
        transport.close()
    if event is None or event.kind == "lost":
        raise _away(broker, event.reason if event else f"no answer in {ANSWER_S:g} s")
    if event.kind == "refused" and _is_password(event.reason):
        raise EnrolError(
            "password refused: the code is older than 24 h or was used; ask for a new one", status=AWAY
        )
    if event.kind == "refused":
        raise _away(broker, event.reason)


def _is_password(reason: str) -> bool:
    said = reason.lower()
    return "password" in said or "not authorized" in said


def _away(broker: Broker, reason: str) -> EnrolError:
    said = f"collector: {broker.host}:{broker.port} does not answer ({reason}); the code can be given again"
    return EnrolError(said, status=AWAY)


def _keep(node: NodeFile, code: Code, place: _Place | None) -> None:
    if place is not None:
        place.trial.replace(place.ca)
    (node.state_dir / NEW).unlink(missing_ok=True)  # of an earlier enrolment
    _write(node.state_dir / (OWN + ".tried"), _kept(code), mode=0o600)
    (node.state_dir / (OWN + ".tried")).replace(node.state_dir / OWN)
    _sync(node.state_dir)


def _kept(code: Code) -> str:
    return f'{{"gen": {code.generation}, "key": "{code.password}"}}'


def _write(path: Path, text: str, *, mode: int) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        os.fchmod(file.fileno(), mode)
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

"""Where a new node connects to, and whose certificate it trusts there."""

from dataclasses import dataclass
from pathlib import Path

from server.auth.certificates import carried, hosts_of, is_made_by
from server.config import Address, Settings
from server.errors import SettingsError

ASKED = "enrol a node"


@dataclass(frozen=True, slots=True, kw_only=True)
class Meeting:
    """A host, a port, and the authority's certificate as an enrolment carries it; None on the loopback."""

    host: str
    port: int
    ca: str | None = None


def meeting_place(settings: Settings, *, host: str | None = None) -> Meeting:
    """Where nodes connect to. host: which of the certificate's names; None: its first.

    Raises SettingsError for a host the certificate does not speak for, or a certificate that the site's
    own authority did not make: a node would refuse it.
    """
    if settings.intake_kind == "broker":
        broker = settings.broker
        ca = None if broker.ca_file is None else carried(_text(broker.ca_file))
        if ca is None and host is not None:
            raise SettingsError(ASKED, "no --host: the broker is reached from this computer alone", host)
        return Meeting(host=host or broker.host, port=broker.port, ca=ca)
    if settings.intake_bind.is_loopback:
        return _on_this_computer(settings.intake_bind, host)
    return _with_certificate(settings, host)


def _on_this_computer(bind: Address, host: str | None) -> Meeting:
    if host is not None:
        needed = "no --host: intake.bind is this computer alone"
        raise SettingsError(ASKED, needed, host)
    return Meeting(host=bind.host, port=bind.port)


def _with_certificate(settings: Settings, host: str | None) -> Meeting:
    if settings.intake_cert is None:
        raise SettingsError(ASKED, "intake.cert and intake.key, for an address of the network", "none")
    cert, ca_path = _text(settings.intake_cert), settings.state_dir / "ca" / "ca.pem"
    ca, hosts = _text(ca_path), hosts_of(cert)
    if not is_made_by(cert, ca):
        came = f"{settings.intake_cert}, made by another"
        raise SettingsError(ASKED, f"a certificate that {ca_path} made (hangtrue broker ca)", came)
    if not hosts or (host is not None and host not in hosts):
        known = ", ".join(hosts) or "none"
        needed = f"--host: a name of the server's certificate ({known})"
        raise SettingsError(ASKED, needed, f"{host!r:.60}")
    return Meeting(host=host or hosts[0], port=settings.intake_bind.port, ca=carried(ca))


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        came = getattr(error, "strerror", None) or "bytes that are no text"
        needed = f"the certificate in {path} (hangtrue broker ca)"
        raise SettingsError(ASKED, needed, came) from None

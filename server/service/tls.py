"""The certificate that nodes see: loaded before anything listens, and again on SIGHUP."""

import ssl
from pathlib import Path

from server.errors import SettingsError

ASKED = "listen for nodes with TLS"


def server_context(cert: Path, key: Path) -> ssl.SSLContext:
    """A context of TLS 1.2 at least with this certificate.

    Raises SettingsError for files that cannot be used, and for a key that others may read.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    _load(context, cert, key)
    return context


def renew(context: ssl.SSLContext, cert: Path, key: Path) -> None:
    """Give a living context the certificate of today: new connections see it, open ones go on.

    Raises SettingsError for files that cannot be used; the context then keeps what it has.
    """
    server_context(cert, key)  # tried on another first: a bad pair must not be half taken
    _load(context, cert, key)


def _load(context: ssl.SSLContext, cert: Path, key: Path) -> None:
    try:
        if key.stat().st_mode & 0o077:
            needed = f"{key} to be its owner's alone (chmod 600)"
            raise SettingsError(ASKED, needed, "one that others may read")
        context.load_cert_chain(cert, key, password=_no_password)
    except ssl.SSLError:
        needed = f"a certificate in {cert} and its own key in {key} (hangtrue broker ca)"
        raise SettingsError(ASKED, needed, "others") from None
    except OSError as error:
        needed = f"intake.cert {cert} and intake.key {key} (hangtrue broker ca)"
        raise SettingsError(ASKED, needed, error.strerror or "an error") from None


def _no_password() -> str:
    """Ask nobody: a key under a password is refused, and the service does not wait at a console."""
    return ""

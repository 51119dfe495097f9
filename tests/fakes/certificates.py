"""Certificates of today for tests that shake hands: OpenSSL reads the wall clock."""

import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from server.auth.certificates import Pair, make_authority, make_certificate
from server.intake.broker_files import Tls
from server.intake.listener import Listener
from tests.fakes.intake import ARRIVAL_MS, FakeQueue, saltmarsh_yard

HOSTS = ("collector.lan", "127.0.0.1", "localhost")


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteFiles:
    """An authority and a certificate of it, in files."""

    authority: Pair
    tls: Tls

    def renew(self) -> str:
        """Another certificate under the same key, in its place; the certificate."""
        made = make_certificate(self.authority, list(HOSTS), now=today(), key=self.tls.key.read_text("utf-8"))
        self.tls.cert.write_text(made.cert, "utf-8")
        return made.cert


def today() -> datetime:
    """The wall clock's time."""
    return datetime.now(UTC)  # noqa: TID251  (OpenSSL reads it too)


def site_files(folder: Path) -> SiteFiles:
    """An authority of today for collector.lan and this computer, with a certificate."""
    folder.mkdir(parents=True, exist_ok=True)
    authority = make_authority(list(HOSTS), now=today())
    made = make_certificate(authority, list(HOSTS), now=today())
    tls = Tls(ca=folder / "ca.pem", cert=folder / "server.pem", key=folder / "server.key")
    for path, text in ((tls.ca, authority.cert), (tls.cert, made.cert), (tls.key, made.key)):
        path.write_text(text, "utf-8")
        path.chmod(0o600)
    return SiteFiles(authority=authority, tls=tls)


@contextmanager
def listening_with(context: ssl.SSLContext, *, host: str = "127.0.0.1") -> Iterator[tuple[Listener, int]]:
    """A listener of the yard that speaks TLS, and its port; stopped with the block."""
    listener = Listener(
        queue=FakeQueue(),
        directory=saltmarsh_yard(),
        clock_ms=lambda: ARRIVAL_MS,
        bind=(host, 0),
        tls=context,
    )
    port = listener.start()
    try:
        yield listener, port
    finally:
        listener.stop()

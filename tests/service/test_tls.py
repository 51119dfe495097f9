"""TLS on our own listener: who is let in how, and a certificate that is renewed under living connections."""

import socket
import ssl
from pathlib import Path

import pytest

from server.errors import SettingsError
from server.intake.codec import write
from server.service.tls import renew, server_context
from tests.fakes.certificates import SiteFiles, listening_with, site_files
from tests.fakes.intake import DEADLINE_S, connect_of, wait_for
from tests.refusals import refuses

CONNACK_5 = 0x20


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> SiteFiles:
    return site_files(tmp_path_factory.mktemp("site"))


def trusting(site: SiteFiles) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.load_verify_locations(site.tls.ca)
    return context


def connected(port: int, context: ssl.SSLContext, host: str = "collector.lan") -> ssl.SSLSocket:
    """A handshake, with the name that the certificate must show."""
    plain = socket.create_connection(("127.0.0.1", port), timeout=DEADLINE_S)
    try:
        return context.wrap_socket(plain, server_hostname=host)
    except BaseException:
        plain.close()
        raise


def shown(tls: ssl.SSLSocket) -> bytes | None:
    return tls.getpeercert(binary_form=True)


def answers(tls: ssl.SSLSocket, client_id: str) -> bool:
    tls.sendall(write(connect_of(5, client_id=client_id), 5))
    return tls.recv(1) == bytes([CONNACK_5])


def pings(tls: ssl.SSLSocket) -> bool:
    tls.sendall(b"\xc0\x00")
    data = b""
    while not data.endswith(b"\xd0\x00"):
        if not (more := tls.recv(4096)):
            return False
        data += more
    return True


def test_a_client_of_the_sites_authority_is_let_in(site: SiteFiles) -> None:
    context = server_context(site.tls.cert, site.tls.key)
    with listening_with(context) as (_, port), connected(port, trusting(site)) as tls:
        assert tls.version() == "TLSv1.3"
        assert answers(tls, "one")


def test_a_renewed_certificate_is_for_new_connections(site: SiteFiles) -> None:
    context = server_context(site.tls.cert, site.tls.key)
    with listening_with(context) as (listener, port), connected(port, trusting(site)) as old:
        assert answers(old, "old")
        before = shown(old)
        renewed = ssl.PEM_cert_to_DER_cert(site.renew())
        listener.renew(lambda: renew(context, site.tls.cert, site.tls.key))
        wait_for(lambda: shown_to_another(port, site) == renewed, "the new certificate")
        assert before != renewed
        assert pings(old), "the connection of before lives"


def shown_to_another(port: int, site: SiteFiles) -> bytes | None:
    with connected(port, trusting(site)) as tls:
        return shown(tls)


def test_a_pair_that_does_not_fit_is_refused_and_the_old_one_stays(site: SiteFiles, tmp_path: Path) -> None:
    context = server_context(site.tls.cert, site.tls.key)
    stranger = site_files(tmp_path)
    with refuses(SettingsError, asked="with TLS", needed="its own key", came="others"):
        renew(context, stranger.tls.cert, site.tls.key)
    with listening_with(context) as (_, port), connected(port, trusting(site)) as tls:
        assert answers(tls, "one")


def test_1_2_is_let_in_and_nothing_below(site: SiteFiles) -> None:
    context, client = server_context(site.tls.cert, site.tls.key), trusting(site)
    client.maximum_version = ssl.TLSVersion.TLSv1_2
    with listening_with(context) as (_, port), connected(port, client) as tls:
        assert tls.version() == "TLSv1.2"
    # OpenSSL itself refuses what is older at its usual level, so a handshake would prove nothing of ours
    assert context.minimum_version == ssl.TLSVersion.TLSv1_2


def test_a_client_without_encryption_gets_no_answer(site: SiteFiles) -> None:
    context = server_context(site.tls.cert, site.tls.key)
    with listening_with(context) as (listener, port):
        with socket.create_connection(("127.0.0.1", port), timeout=DEADLINE_S) as plain:
            plain.sendall(write(connect_of(5), 5))
            data = b"".join(iter(lambda: plain.recv(4096), b""))
        assert data[:1] != bytes([CONNACK_5])
        assert listener.counters()["connections"] == 0


@pytest.mark.parametrize(
    ("cert", "key", "needed", "came"),
    [
        ("server.pem", "none.key", "intake.key", "No such file"),
        ("none.pem", "server.key", "intake.cert", "No such file"),
        ("server.key", "server.key", "a certificate in", "others"),
        ("server.pem", "open.key", "chmod 600", "others may read"),
        ("server.pem", "locked.key", "its own key", "others"),
    ],
)
def test_files_that_cannot_be_used_are_named(
    site: SiteFiles, cert: str, key: str, needed: str, came: str
) -> None:
    from cryptography.hazmat.primitives import serialization

    folder = site.tls.key.parent
    own = site.tls.key.read_text("utf-8")
    loaded = serialization.load_pem_private_key(own.encode(), None)
    locked = loaded.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.BestAvailableEncryption(b"a password"),
    )
    for name, text, mode in (("open.key", own, 0o644), ("locked.key", locked.decode(), 0o600)):
        (folder / name).write_text(text, "utf-8")
        (folder / name).chmod(mode)
    with refuses(SettingsError, asked="listen for nodes with TLS", needed=needed, came=came):
        server_context(folder / cert, folder / key)

"""The site's authority: what OpenSSL says of its certificates, in a real handshake and by its own command."""

import base64
import shutil
import ssl
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from server.auth.certificates import (
    LIFE,
    Pair,
    carried,
    end_of,
    fingerprint,
    hosts_of,
    is_made_by,
    make_authority,
    make_certificate,
)
from server.errors import SettingsError
from tests.journeys.needs import require
from tests.refusals import refuses

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
TODAY = datetime.now(UTC)  # noqa: TID251  (OpenSSL reads the wall clock)


@pytest.fixture(scope="module")
def authority() -> Pair:
    return make_authority(["collector.lan"], now=TODAY)


def handshake(folder: Path, authority: Pair, shown: Pair, host: str) -> str | None:
    """What a client that trusts this authority alone says of a server; None when it is content."""
    (folder / "pair.pem").write_text(shown.cert + shown.key, "utf-8")
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(folder / "pair.pem")
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.verify_flags |= ssl.VerifyFlags.VERIFY_X509_STRICT
    client.load_verify_locations(cadata=authority.cert)
    up, down = ssl.MemoryBIO(), ssl.MemoryBIO()
    ends = [client.wrap_bio(down, up, server_hostname=host), server.wrap_bio(up, down, server_side=True)]
    for _ in range(6):
        for end in ends:
            try:
                end.do_handshake()
            except ssl.SSLWantReadError:
                continue
            except ssl.SSLCertVerificationError as error:
                return str(error.verify_message)
    return None


@pytest.mark.parametrize("host", ["collector.lan", "192.168.1.20", "localhost"])
def test_a_client_is_content_with_the_names_it_speaks_for(tmp_path: Path, authority: Pair, host: str) -> None:
    made = make_certificate(authority, ["collector.lan", "192.168.1.20", "localhost"], now=TODAY)
    assert handshake(tmp_path, authority, made, host) is None


def test_another_name_or_another_authority_is_refused(tmp_path: Path, authority: Pair) -> None:
    made = make_certificate(authority, ["collector.lan"], now=TODAY)
    said = handshake(tmp_path, authority, made, "other.lan")
    assert said is not None
    assert "Hostname mismatch" in said
    stranger = make_authority(["collector.lan"], now=TODAY)
    said = handshake(tmp_path, stranger, made, "collector.lan")
    assert said is not None
    assert "signature" in said or "unable to get local issuer" in said


def forged(authority: Pair, host: str) -> Pair:
    """A certificate as a thief of the authority's key makes it: his own tool asks nothing."""
    ca, key = x509.load_pem_x509_certificate(authority.cert.encode()), ec.generate_private_key(ec.SECP256R1())
    stolen = serialization.load_pem_private_key(authority.key.encode(), None)
    assert isinstance(stolen, ec.EllipticCurvePrivateKey)
    built = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([]))
        .issuer_name(ca.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(TODAY - timedelta(hours=1))
        .not_valid_after(TODAY + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(host)]), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(stolen.public_key()), critical=False
        )
    )
    form = serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    pem = serialization.Encoding.PEM
    shown = built.sign(stolen, hashes.SHA256()).public_bytes(pem)
    return Pair(cert=shown.decode(), key=key.private_bytes(pem, *form).decode())


@pytest.mark.parametrize(("host", "is_refused"), [("bank.example", True), ("b.collector.lan", False)])
def test_a_stolen_key_cannot_speak_for_a_bank(
    tmp_path: Path, authority: Pair, host: str, is_refused: bool
) -> None:
    said = handshake(tmp_path, authority, forged(authority, host), host)
    assert said == ("permitted subtree violation" if is_refused else None)


def test_openssl_reads_what_the_design_asks(tmp_path: Path, authority: Pair) -> None:
    openssl = require(shutil.which("openssl"), "openssl: apt-get install openssl")
    (path := tmp_path / "ca.pem").write_text(authority.cert, "utf-8")
    said = subprocess.run(
        [openssl, "x509", "-in", path, "-noout", "-text"], check=True, capture_output=True, text=True
    ).stdout
    for wanted in (
        "ASN1 OID: prime256v1",
        "X509v3 Basic Constraints: critical",
        "CA:TRUE, pathlen:0",
        "X509v3 Key Usage: critical",
        "Certificate Sign, CRL Sign",
        "X509v3 Name Constraints: critical",
        "DNS:collector.lan",
        "IP:192.168.0.0/255.255.0.0",
    ):
        assert wanted in said, wanted


def test_lives_are_twenty_years_and_397_days_and_end_together(authority: Pair) -> None:
    old = make_authority(["collector.lan"], now=NOW)
    assert end_of(old.cert) == datetime(2046, 3, 1, 11, tzinfo=UTC)
    made = make_certificate(old, ["collector.lan"], now=NOW)
    assert end_of(made.cert) - x509.load_pem_x509_certificate(made.cert.encode()).not_valid_before_utc == LIFE
    late = make_certificate(old, ["collector.lan"], now=datetime(2046, 1, 1, tzinfo=UTC))
    assert end_of(late.cert) == end_of(old.cert)
    with refuses(
        SettingsError, asked="make a certificate", needed="an authority in force", came="2046-03-01"
    ):
        make_certificate(old, ["collector.lan"], now=NOW + timedelta(days=7400))


def test_a_renewal_keeps_its_key(authority: Pair) -> None:
    first = make_certificate(authority, ["collector.lan"], now=TODAY)
    again = make_certificate(authority, ["collector.lan"], now=TODAY, key=first.key)
    assert again.key == first.key
    assert again.cert != first.cert
    assert is_made_by(again.cert, authority.cert)
    assert not is_made_by(again.cert, make_authority(["collector.lan"], now=TODAY).cert)


def test_the_carried_form_is_der_in_one_line(authority: Pair) -> None:
    line = carried(authority.cert)
    der = base64.urlsafe_b64decode(line + "=" * (-len(line) % 4))
    assert der == ssl.PEM_cert_to_DER_cert(authority.cert)
    assert len(line) < 1100, "the whole line must stay well within one QR code"
    assert len(fingerprint(authority.cert).split(":")) == 32


def test_it_tells_its_hosts(authority: Pair) -> None:
    made = make_certificate(authority, ["192.168.1.20", "b.collector.lan"], now=TODAY)
    assert hosts_of(made.cert) == ["b.collector.lan", "192.168.1.20"]
    assert hosts_of(authority.cert) == []


@pytest.mark.parametrize(
    ("host", "needed"),
    [
        ("Collector.lan", "a name of a-z"),
        ("a b", "a name of a-z"),
        ("300.1.1.1", "a name of a-z"),
        ("8.8.8.8", "an address of a private network"),
        ("other.lan", "a name that the site's authority was made for"),
        ("notcollector.lan", "a name that the site's authority was made for"),
    ],
)
def test_a_host_that_it_may_not_speak_for_is_refused(authority: Pair, host: str, needed: str) -> None:
    with refuses(SettingsError, asked="make a certificate", needed=needed, came=host):
        make_certificate(authority, [host], now=TODAY)


def test_what_is_no_certificate_or_key_is_refused(authority: Pair) -> None:
    with refuses(SettingsError, asked="read a certificate", needed="PEM", came="other text"):
        hosts_of("no certificate")
    with refuses(SettingsError, asked="read a key", needed="broker ca made", came="another"):
        make_certificate(Pair(cert=authority.cert, key="no key"), ["collector.lan"], now=TODAY)

"""The site's own authority and the certificates that it makes: for its names and private addresses alone."""

import base64
import hashlib
import ipaddress
import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from server.errors import SettingsError

if TYPE_CHECKING:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric import ec

CA_LIFE, LIFE = timedelta(days=7305), timedelta(days=397)  # 20 years; 397 days is common browsers' bound
EARLIER = timedelta(hours=1)  # clocks of small computers differ
PRIVATE = ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "127.0.0.0/8", "::1/128", "fc00::/7", "fe80::/10")
NAME = re.compile(r"(?=.{1,253}$)[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?(\.[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?)*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A certificate and its private key, PEM."""

    cert: str
    key: str


def make_authority(hosts: list[str], *, now: datetime) -> Pair:
    """An authority for 20 years that can speak for these hosts and private addresses, and no other.

    ECDSA P-256, no authority below it, name constraints critical (RFC 5280 section 4.2.1.10): a stolen
    key cannot speak for a bank. Raises SettingsError for a name that cannot be one.
    """
    from cryptography import x509

    key = _new_key()
    subject = _named("hangtrue site authority")
    permitted: list[x509.GeneralName] = [x509.DNSName(name) for name in _names(["localhost", *hosts])]
    permitted += [x509.IPAddress(ipaddress.ip_network(net)) for net in PRIVATE]
    usage = {"key_cert_sign": True, "crl_sign": True}
    built = (
        _begun(subject, subject, key, now - EARLIER, now - EARLIER + CA_LIFE)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(usage), critical=True)
        .add_extension(x509.NameConstraints(permitted, None), critical=True)
    )
    return _signed(built, key, key)


def make_certificate(authority: Pair, hosts: list[str], *, now: datetime, key: str | None = None) -> Pair:
    """A server's certificate for these names and addresses, for 397 days; under `key` if one is given.

    Raises SettingsError for hosts that the authority may not speak for, or an authority that has run out.
    """
    from cryptography import x509
    from cryptography.x509.oid import ExtendedKeyUsageOID

    ca, ca_key = _read(authority.cert), _read_key(authority.key)
    _check_hosts(ca, hosts)
    if now >= ca.not_valid_after_utc:
        needed = "an authority in force: make a new one, and enrol every node anew"
        raise SettingsError("make a certificate", needed, f"one that ended {ca.not_valid_after_utc:%Y-%m-%d}")
    own = _new_key() if key is None else _read_key(key)
    until = min(now - EARLIER + LIFE, ca.not_valid_after_utc)
    alternatives = [_general(host) for host in hosts]
    identifier = ca.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
    issuer_key = x509.AuthorityKeyIdentifier.from_issuer_subject_key_identifier(identifier)
    built = (
        _begun(_named("hangtrue service"), ca.subject, own, now - EARLIER, until)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage({"digital_signature": True}), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(alternatives), critical=False)
        .add_extension(issuer_key, critical=False)
    )
    return _signed(built, own, ca_key)


def hosts_of(cert: str) -> list[str]:
    """The names, then the addresses that a certificate speaks for."""
    from cryptography import x509

    try:
        found = _read(cert).extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return []
    return [
        *found.get_values_for_type(x509.DNSName),
        *(str(address) for address in found.get_values_for_type(x509.IPAddress)),
    ]


def is_made_by(cert: str, ca: str) -> bool:
    """Whether this authority made this certificate."""
    from cryptography.exceptions import InvalidSignature

    try:
        _read(cert).verify_directly_issued_by(_read(ca))
    except (ValueError, TypeError, InvalidSignature):
        return False
    return True


def end_of(cert: str) -> datetime:
    """When a certificate ends."""
    return _read(cert).not_valid_after_utc


def fingerprint(cert: str) -> str:
    """SHA-256 of a certificate, in pairs, to compare by eye."""
    digest = hashlib.sha256(_der(cert)).hexdigest().upper()
    return ":".join(digest[place : place + 2] for place in range(0, len(digest), 2))


def carried(cert: str) -> str:
    """A certificate as the line of an enrolment carries it: DER, base64url, without padding."""
    return base64.urlsafe_b64encode(_der(cert)).decode().rstrip("=")


def _check_hosts(ca: "x509.Certificate", hosts: list[str]) -> None:
    from cryptography import x509

    may = ca.extensions.get_extension_for_class(x509.NameConstraints).value.permitted_subtrees or []
    names = [one.value for one in may if isinstance(one, x509.DNSName)]
    for host in hosts:
        general = _general(host)
        if isinstance(general, x509.DNSName) and not any(
            host == name or host.endswith(f".{name}") for name in names
        ):
            needed = f"a name that the site's authority was made for ({', '.join(names)}), or a new authority"
            raise SettingsError("make a certificate", needed, f"{host!r:.60}")


def _names(hosts: list[str]) -> list[str]:
    from cryptography import x509

    names = [general.value for host in hosts if isinstance(general := _general(host), x509.DNSName)]
    return list(dict.fromkeys(names))


def _general(host: str) -> "x509.GeneralName":
    from cryptography import x509

    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        if NAME.fullmatch(host) and not host.rpartition(".")[2].isdigit():
            return x509.DNSName(host)
        needed = "a name of a-z 0-9 - and ., such as collector.lan, or an address"
        raise SettingsError("make a certificate", needed, f"{host!r:.60}") from None
    if not any(address in ipaddress.ip_network(net) for net in PRIVATE):
        needed = "an address of a private network: a remote site comes through a VPN"
        raise SettingsError("make a certificate", needed, host)
    return x509.IPAddress(address)


def _begun(
    subject: "x509.Name",
    issuer: "x509.Name",
    key: "ec.EllipticCurvePrivateKey",
    since: datetime,
    until: datetime,
) -> "x509.CertificateBuilder":
    from cryptography import x509

    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(since)
        .not_valid_after(until)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )


def _signed(
    built: "x509.CertificateBuilder", key: "ec.EllipticCurvePrivateKey", by: "ec.EllipticCurvePrivateKey"
) -> Pair:
    from cryptography.hazmat.primitives import hashes, serialization

    cert = built.sign(by, hashes.SHA256()).public_bytes(serialization.Encoding.PEM)
    pem = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    return Pair(cert=cert.decode(), key=pem.decode())


def _usage(allowed: dict[str, bool]) -> "x509.KeyUsage":
    from cryptography import x509

    every = (
        "digital_signature",
        "content_commitment",
        "key_encipherment",
        "data_encipherment",
        "key_agreement",
        "key_cert_sign",
        "crl_sign",
        "encipher_only",
        "decipher_only",
    )
    return x509.KeyUsage(**{name: allowed.get(name, False) for name in every})


def _named(name: str) -> "x509.Name":
    from cryptography import x509
    from cryptography.x509.oid import NameOID

    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])


def _new_key() -> "ec.EllipticCurvePrivateKey":
    from cryptography.hazmat.primitives.asymmetric import ec

    return ec.generate_private_key(ec.SECP256R1())


def _read(cert: str) -> "x509.Certificate":
    from cryptography import x509

    try:
        return x509.load_pem_x509_certificate(cert.encode())
    except ValueError:
        raise SettingsError("read a certificate", "one in PEM (hangtrue broker ca)", "other text") from None


def _read_key(pem: str) -> "ec.EllipticCurvePrivateKey":
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        key = load_pem_private_key(pem.encode(), password=None)
    except (ValueError, TypeError):
        key = None
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        raise SettingsError("read a key", "the key that hangtrue broker ca made", "another")
    return key


def _der(cert: str) -> bytes:
    from cryptography.hazmat.primitives.serialization import Encoding

    return _read(cert).public_bytes(Encoding.DER)

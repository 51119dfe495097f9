"""Where a message may go: which addresses may be reached at all. Pure, but for the look-up of a name."""

import socket
from collections.abc import Sequence
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network

# `ipaddress.is_global` alone is no guard: it calls these global, or did in Python 3.11.
# Source: IANA IPv4 and IPv6 special-purpose address registries; RFC 3056 (6to4), 3879 (site-local), 4380
# (Teredo), 5214 (ISATAP), 6052 (NAT64), 9637 (documentation).
CLOSED_4 = tuple(map(IPv4Network, ("192.0.0.0/24", "192.88.99.0/24", "240.0.0.0/4", "224.0.0.0/4")))
OPEN_6 = IPv6Network("2000::/3")
CLOSED_6 = tuple(
    IPv6Network(text)
    for text in ("2001::/23", "2001:db8::/32", "2002::/16", "2620:4f:8000::/48", "3ffe::/16", "3fff::/20")
)
ISATAP = (0x0000_5EFE, 0x0200_5EFE)  # the interface's third word; its fourth is an IPv4 address


def may_reach(address: str | Address, allow: Sequence[Network] = ()) -> bool:
    """Whether a message may be sent to an address: a public one, or one in a network of `allow`.

    Refused: loopback, private, link-local, metadata, carrier, documentation, multicast, reserved, and every
    form that wraps an IPv4 address. A text that is no address is refused.
    """
    try:
        known = ip_address(address)
    except ValueError:
        return False
    if is_named(address, allow):
        return True
    if isinstance(known, IPv4Address):
        return known.is_global and not any(known in network for network in CLOSED_4)
    return _may_reach_6(known)


def is_named(address: str | Address, allow: Sequence[Network]) -> bool:
    """Whether the operator named a network that holds an address."""
    try:
        known = ip_address(address)
    except ValueError:
        return False
    return any(known.version == network.version and known in network for network in allow)


def _may_reach_6(address: IPv6Address) -> bool:
    if address.scope_id is not None or address not in OPEN_6 or not address.is_global:
        return False
    wraps = (int(address) >> 32) & 0xFFFF_FFFF in ISATAP
    return not wraps and not any(address in network for network in CLOSED_6)


def addresses_of(host: str, port: int) -> list[str]:
    """Every address a name gives, in the order to try them. Raises OSError where there is none."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(where[0]) for *_, where in found))


def network(text: str) -> Network | None:
    """The network of a text such as 192.168.1.4/32; None for another text."""
    try:
        return ip_network(text)
    except ValueError:
        return None

"""Which addresses a message may go to: the published list, and a law about wrapped addresses."""

from ipaddress import IPv4Address, IPv6Address

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.alerts.delivery.guard import addresses_of, is_named, may_reach, network
from tests.alerts.delivery.cases import cases, names

# RFC 4291 2.5.5 (compatible, mapped), 6052 (NAT64), 3056 (6to4), 5214 (ISATAP) over a public prefix.
WRAPPERS = (0, 0xFFFF << 32, 0x64_FF9B << 96, (0x2620_0000_0000_0000 << 64) | (0x5EFE << 32))


@pytest.mark.parametrize("case", cases("guard"), ids=names("guard"))
def test_published_addresses(case: dict[str, object]) -> None:
    allow = [found for text in case.get("allow", []) if (found := network(text))]  # type: ignore[attr-defined]  # of JSON
    assert len(allow) == len(case.get("allow", []))  # type: ignore[arg-type]  # of JSON
    assert may_reach(str(case["address"]), allow) is case["expect"]


@given(st.ip_addresses(v=4), st.sampled_from(WRAPPERS))
def test_an_address_that_wraps_another_is_refused(inner: IPv4Address, wrapper: int) -> None:
    assert not may_reach(IPv6Address(wrapper | int(inner)))
    assert not may_reach(IPv6Address((0x2002 << 112) | (int(inner) << 80) | 1))


@given(st.ip_addresses())
def test_what_python_calls_private_is_refused(address: IPv4Address | IPv6Address) -> None:
    if address.is_private or address.is_multicast or address.is_reserved or address.is_loopback:
        assert not may_reach(address)


@pytest.mark.parametrize(
    "text", ["", "localhost", "127.1", "0x7f000001", "2130706433", "1.2.3.4.5", "::1%lo"]
)
def test_what_is_no_plain_address_is_refused(text: str) -> None:
    assert not may_reach(text)
    assert not is_named(text, [found for found in [network("0.0.0.0/0")] if found])


def test_every_address_of_a_name_is_given() -> None:
    assert "127.0.0.1" in addresses_of("localhost", 443)
    assert addresses_of("127.1", 443) == ["127.0.0.1"]  # a short form becomes an address, which is refused
    with pytest.raises(OSError, match=r".+"):
        addresses_of("no-such-name.invalid", 443)


def test_a_text_that_is_no_network() -> None:
    assert network("192.168.1.4/32") is not None
    assert network("yard.lan") is None
    assert network("192.168.1.4/24") is None

"""The names of the wire."""

import pytest

from sensors.message import names


@pytest.mark.parametrize("text", ["a", "7", "saltmarsh-yard", "a--b", "a" * 24])
def test_slugs(text: str) -> None:
    assert names.is_slug(text)


@pytest.mark.parametrize("text", ["", "-a", "a-", "-", "A", "a b", "a_b", "a" * 25, "a\n", "é"])
def test_no_slugs(text: str) -> None:
    assert not names.is_slug(text)


@pytest.mark.parametrize(
    "text", ["urn:dev:ow:10e2073a01080063", "2001:db8::2/temperature", "A.b_c-d", "p" * 128]
)
def test_wire_names(text: str) -> None:
    """The first two are of RFC 8428 sections 5.1.1 and 5.1.6."""
    assert names.is_wire_name(text)


@pytest.mark.parametrize("text", ["", ".a", "-a", "/a", "_a", "a b", "p" * 129, "a\n", "a\ud800", "é"])
def test_no_wire_names(text: str) -> None:
    assert not names.is_wire_name(text)


@pytest.mark.parametrize(
    ("text", "is_one"), [("7c1e90ab", True), ("7C1E90AB", False), ("7c1e90a", False), ("", False)]
)
def test_journals(text: str, is_one: bool) -> None:
    assert names.is_journal(text) is is_one


@pytest.mark.parametrize("leaf", names.LEAVES)
def test_topics_there_and_back(leaf: str) -> None:
    there = names.topic("saltmarsh-yard", "north", leaf)
    assert there == f"hangtrue/v1/saltmarsh-yard/north/{leaf}"
    assert names.split_topic(there) == ("saltmarsh-yard", "north", leaf)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "hangtrue/v1/a/b",
        "hangtrue/v2/a/b/ack",
        "hangtrue/v1/a/b/ack/c",
        "hangtrue/v1/A/b/ack",
        "hangtrue/v1/a/b/x",
    ],
)
def test_no_topics(text: str) -> None:
    assert names.split_topic(text) is None


def test_client_of_a_node() -> None:
    """Reckoned apart: printf 'saltmarsh-yard/north' | sha256sum | cut -c1-20."""
    assert names.client_id("saltmarsh-yard", "north") == "htae3d2911c36606ac8ea3"


def test_base_name() -> None:
    assert names.base_name("saltmarsh-yard", "north") == "saltmarsh-yard/north/"

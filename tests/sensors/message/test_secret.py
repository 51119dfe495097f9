"""The change of a password on the wire."""

import json
from dataclasses import replace

import pytest

from sensors.message.secret import OVERLAP_MS, Secret, read_secret, write_secret

# the example of the contract's own page
TOLD = b'{"gen":2,"key":"W3NH5R1EJD6GPY0S","from":1767268800000,"until":1767873600000}'
SECRET = Secret(generation=2, key="W3NH5R1EJD6GPY0S", from_ms=1767268800000, until_ms=1767873600000)


def test_the_example_is_written_and_read() -> None:
    assert write_secret(SECRET) == TOLD
    assert read_secret(TOLD) == SECRET
    assert SECRET.until_ms - SECRET.from_ms == OVERLAP_MS


def test_a_leak_is_told_and_other_members_are_left() -> None:
    leaked = replace(SECRET, is_leak=True)
    assert read_secret(write_secret(leaked)) == leaked
    assert read_secret(TOLD.replace(b'{"gen"', b'{"more":[1],"gen"')) == SECRET


@pytest.mark.parametrize(
    "changes",
    [
        {"gen": 0},
        {"gen": True},
        {"gen": 2.5},
        {"key": "W3NH5R1EJD6GPY0"},
        {"key": "I3NH5R1EJD6GPY0S"},
        {"key": None},
        {"until": "1767873600000"},
        {"from": None},
    ],
)
def test_what_is_no_secret_is_none(changes: dict[str, object]) -> None:
    assert read_secret(json.dumps(json.loads(TOLD) | changes).encode()) is None


@pytest.mark.parametrize("payload", [b"", b"[]", b"{", b"\xff"])
def test_what_is_no_object_is_none(payload: bytes) -> None:
    assert read_secret(payload) is None

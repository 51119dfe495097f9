"""Passwords: the alphabet of the wire, and scrypt as published."""

from collections import Counter

import pytest

from server.auth.passwords import ALPHABET, draw_password, draw_salt, hashed, is_same

# RFC 7914 section 12, third vector: N 16384, r 8, p 1.
RFC_7914 = (
    "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
    "d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887"
)


def test_the_hash_is_the_published_one() -> None:
    assert hashed(b"pleaseletmein", b"SodiumChloride").hex() == RFC_7914


def test_a_password_has_sixteen_letters_of_the_alphabet() -> None:
    assert ALPHABET == "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
    password = draw_password()
    assert len(password) == 16
    assert set(password) <= set(ALPHABET)
    assert draw_password() != password


def test_each_letter_is_as_likely_as_the_next() -> None:
    letters = "".join(
        draw_password(lambda count, start=start: bytes(range(start, start + count)))  # type: ignore[misc]
        for start in range(0, 256, 16)
    )
    assert set(Counter(letters).values()) == {256 // 32}


def test_a_salt_has_sixteen_bytes() -> None:
    assert len(draw_salt()) == 16
    assert draw_salt() != draw_salt()


@pytest.mark.parametrize(
    ("one", "other", "same"), [(b"a", b"a", True), (b"a", b"b", False), (b"a", b"ab", False)]
)
def test_hashes_are_compared(one: bytes, other: bytes, same: bool) -> None:
    assert is_same(one, other) is same

"""Passwords of nodes: drawn, hashed and compared."""

import hashlib
import hmac
import secrets
from collections.abc import Callable

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # no I L O U: they read as 1, 1, 0 and V
LETTERS = 16
SALT_BYTES = 16
COST, BLOCK, LANES = 2**14, 8, 1


def draw_password(random_bytes: Callable[[int], bytes] = secrets.token_bytes) -> str:
    """16 letters, 80 bits: 32 letters divide 256 evenly, so each is as likely as the next."""
    return "".join(ALPHABET[byte % len(ALPHABET)] for byte in random_bytes(LETTERS))


def draw_salt(random_bytes: Callable[[int], bytes] = secrets.token_bytes) -> bytes:
    """A salt of 16 bytes."""
    return random_bytes(SALT_BYTES)


def hashed(password: bytes, salt: bytes) -> bytes:
    """The hash that is kept: scrypt, n 2**14, r 8, p 1; 64 bytes. Source: RFC 7914."""
    return hashlib.scrypt(password, salt=salt, n=COST, r=BLOCK, p=LANES)


def is_same(one: bytes, other: bytes) -> bool:
    """Whether two hashes are the same, in a time that does not depend on where they differ."""
    return hmac.compare_digest(one, other)

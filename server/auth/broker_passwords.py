"""Passwords as an outside broker keeps them: lines of mosquitto's password file, `$7$`, PBKDF2-SHA512."""

import base64
import hashlib
import hmac
import secrets
from collections.abc import Callable, Mapping

ITERATIONS = 101  # mosquitto_passwd's own; our passwords have 80 random bits, so a guess is hopeless as it is
SALT_BYTES, HASH_BYTES = 12, 64


def password_line(
    user: str, password: str, *, random_bytes: Callable[[int], bytes] = secrets.token_bytes
) -> str:
    """`user:$7$iterations$salt$hash`. Source: mosquitto 2.0.11, what mosquitto_passwd writes."""
    salt = random_bytes(SALT_BYTES)
    parts = ["", "7", str(ITERATIONS), _text(salt), _text(_hash(password, salt, ITERATIONS))]
    return f"{user}:{'$'.join(parts)}"


def is_right(line: str, password: str) -> bool:
    """Whether this is the password of a line of the file; False for a line of another form."""
    fields = line.partition(":")[2].strip().split("$")
    if len(fields) != 5 or fields[:2] != ["", "7"] or not fields[2].isdigit():
        return False
    try:
        salt, kept = (base64.b64decode(field, validate=True) for field in fields[3:])
    except ValueError:
        return False
    return hmac.compare_digest(_hash(password, salt, int(fields[2])), kept)


def users_of(text: str) -> set[str]:
    """Who has a line in a password file."""
    return {line.partition(":")[0] for line in text.splitlines() if ":" in line}


def with_lines(text: str, lines: Mapping[str, str], *, keep: Callable[[str], bool]) -> str:
    """A password file with these lines by user, new or in place, and of the rest those to `keep`."""
    kept = {user: line for line in text.splitlines() if (user := line.partition(":")[0]) and keep(user)}
    return "".join(f"{line}\n" for line in {**kept, **lines}.values())


def _hash(password: str, salt: bytes, iterations: int) -> bytes:
    return hashlib.pbkdf2_hmac("sha512", password.encode(), salt, iterations, HASH_BYTES)


def _text(data: bytes) -> str:
    return base64.b64encode(data).decode()

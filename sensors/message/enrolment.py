"""The line that a person carries from the collector to a node: what it holds, and whether it is whole."""

import base64
import binascii
import zlib
from dataclasses import dataclass

from sensors.message.names import is_slug

HEAD, LETTERS, ALPHABET = "hangtrue:1", 16, "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
MOST_CHARACTERS = 4000
_CHECK = ";x="


class CodeError(ValueError):
    """A line that is no enrolment, or not all of one. Its text says which."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """What a node has to know. `ca`: the site's certificate, DER; None where that is not needed."""

    host: str
    port: int
    site: str
    node: str
    generation: int
    password: str
    ca: bytes | None = None


def read_code(line: str) -> Code:
    """The enrolment that a line holds. Raises CodeError for any other."""
    line = "".join(line.split())  # a terminal may have broken it
    if not line.startswith(HEAD + ";") or len(line) > MOST_CHARACTERS:
        raise CodeError(f"code: a line that begins with {HEAD}; is needed")
    body, mark, check = line.rpartition(_CHECK)
    if not mark or check.lower() != f"{zlib.crc32(body.encode()):08x}":
        raise CodeError(f"checksum: the line is cut or mistyped ({_expected(line)}{len(line)} came)")
    fields = dict(part.partition("=")[::2] for part in body.split(";")[1:])
    try:
        return _built(fields)
    except (KeyError, ValueError) as error:
        raise CodeError(f"code: the line is whole, and not one of ours ({error})") from None


def _built(fields: dict[str, str]) -> Code:
    password, ca = fields["k"], fields.get("c")
    if len(password) != LETTERS or set(password) - set(ALPHABET):
        raise ValueError("k")
    if not (is_slug(fields["s"]) and is_slug(fields["n"])):
        raise ValueError("s and n")
    port, generation = int(fields["p"]), int(fields["g"])
    if not (0 < port < 65536 and generation > 0 and fields["h"]):
        raise ValueError("h, p and g")
    return Code(
        host=fields["h"],
        port=port,
        site=fields["s"],
        node=fields["n"],
        generation=generation,
        password=password,
        ca=None if ca is None else _bytes(ca),
    )


def _bytes(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)


def _expected(line: str) -> str:
    """How many characters there should be: the certificate in the line tells its length (X.690, 8.1.3)."""
    before, mark, rest = line.partition(";c=")
    try:
        head = _bytes(rest[:8])
    except binascii.Error:
        return ""
    if not mark or head[:2] != b"\x30\x82":
        return ""
    size = 4 + int.from_bytes(head[2:4], "big")
    whole = len(before) + len(mark) + (size * 4 + 2) // 3 + len(_CHECK) + 8
    return f"{whole} characters expected, "

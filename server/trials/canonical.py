"""The canonical form of a record and its seal."""

import hashlib
import json
import re
import unicodedata

from server.trials.refusals import DeclarationError

MOST_WHOLE = 2**53 - 1
SEAL = re.compile(r"[0-9a-f]{64}")
SHOWN_LETTERS, LETTERS_A_GROUP = 8, 4


def canonical(record: object) -> bytes:
    """The bytes of a record of objects, arrays, text, whole numbers below 2^53, true, false and null.

    Raises DeclarationError for anything else: a decimal is text here, a key is ASCII.
    Source: RFC 8785, sections 3.2.2 and 3.2.3; of such records this is its form.
    """
    _refuse_others(record)
    text = json.dumps(record, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return text.encode("utf-8")


def seal(record: object) -> str:
    """SHA-256 of the canonical bytes, 64 letters of hex."""
    return seal_of(canonical(record))


def seal_of(body: bytes) -> str:
    """The seal of bytes that are canonical already."""
    return hashlib.sha256(body).hexdigest()


def shown(seal_text: str, letters: int = SHOWN_LETTERS) -> str:
    """The first `letters` of a seal in groups of four: `5184 dc6e`."""
    cut = seal_text[:letters]
    return " ".join(cut[place : place + LETTERS_A_GROUP] for place in range(0, len(cut), LETTERS_A_GROUP))


def normal(text: str) -> str:
    """Text as it is sealed: one form for each letter with its marks (NFC)."""
    return unicodedata.normalize("NFC", text)


def _refuse_others(value: object) -> None:
    if value is None or isinstance(value, bool):
        return
    if isinstance(value, dict):
        for key, one in value.items():
            if not isinstance(key, str) or not key.isascii():
                raise DeclarationError("seal a record", "keys of ASCII letters", repr(key)[:40])
            _refuse_others(one)
    elif isinstance(value, list):
        for one in value:
            _refuse_others(one)
    else:
        _refuse_leaf(value)


def _refuse_leaf(value: object) -> None:
    if isinstance(value, str):
        if any(0xD800 <= ord(letter) <= 0xDFFF for letter in value):
            raise DeclarationError("seal a record", "text of whole letters", repr(value)[:40])
    elif not isinstance(value, int):
        raise DeclarationError("seal a record", "text or whole numbers; decimals as text", repr(value)[:40])
    elif abs(value) > MOST_WHOLE:
        raise DeclarationError("seal a record", "whole numbers below 2^53", repr(value)[:40])

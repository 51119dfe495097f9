"""From the bytes of a payload to records whose labels have their types: the first half of the check."""

import json
import math
from typing import Any, TypeGuard

from sensors.message import names
from sensors.message.errors import MessageError
from sensors.message.units import PLAIN_VERSION, is_known_version

MAX_BYTES = 16384
MAX_RECORDS = 500
MAX_SEQ = 2**53 - 1  # the largest whole number that every JSON reader keeps, RFC 7493 section 2.2
CLOCKS = ("utc", "drift", "none")
META = ("bjrn", "bseq", "bcnt", "bclk")
BASES = ("bn", "bt", "bu", "bv", "bs", "bver")
READING_LABELS = frozenset({"n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"})

_TEXT = frozenset({"bn", "n", "bu", "u", "vs", "vd", "bjrn", "bclk"})
_NUMBER = frozenset({"bt", "t", "bv", "v", "bver", "ut", "s", "bs", "bseq", "bcnt"})
_MAX_DEPTH = 32  # far deeper than any pack, far from what would stop the reader
_MAX_DIGITS = 20  # a whole number of more digits is read as a double, so that length costs nothing

Record = dict[str, Any]


def read_json(payload: bytes) -> Any:
    """The value that a payload holds. Raises MessageError too-large, bad-utf8 or not-json.

    Source: RFC 7493 section 2 (I-JSON): UTF-8 without surrogates, unique member names.
    """
    if len(payload) > MAX_BYTES:
        raise MessageError("too-large", f"{MAX_BYTES} bytes or fewer", len(payload))
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError as fault:
        raise MessageError("bad-utf8", "UTF-8", payload[fault.start : fault.start + 4]) from None
    try:
        root = json.loads(text, object_pairs_hook=_unique, parse_int=_whole)
    except (ValueError, RecursionError):
        raise MessageError("not-json", "JSON with each member name once", text[:40]) from None
    if not _is_shallow(root):
        raise MessageError("not-json", f"JSON nested {_MAX_DEPTH} deep or less", text[:40])
    return root


def read_elements(root: Any) -> list[Any]:
    """The elements of the array. Raises MessageError not-array, empty-pack or too-large."""
    if not isinstance(root, list):
        raise MessageError("not-array", "an array of records", root)
    if not root:
        raise MessageError("empty-pack", "a record", root)
    if len(root) > MAX_RECORDS:
        raise MessageError("too-large", f"{MAX_RECORDS} records or fewer", len(root))
    return root


def read_record(index: int, element: Any) -> Record:
    """The element as a record. Raises MessageError bad-type, must-understand or bad-number."""
    if not isinstance(element, dict):
        raise MessageError("bad-type", "an object", element, record=index)
    for label in element:
        if label.endswith("_"):
            raise MessageError("must-understand", "labels that do not end in _", label, record=index)
    for label, value in element.items():
        _require_type(index, label, value)
    for label in _NUMBER & element.keys():
        if not math.isfinite(element[label]):
            raise MessageError("bad-number", f"a finite {label}", element[label], record=index)
    return element


def read_records(root: Any) -> tuple[list[Record], int]:
    """The records of a pack, and its version.

    Raises MessageError for anything of the structure, the earliest record first.
    """
    records: list[Record] = []
    version: float = PLAIN_VERSION
    for index, element in enumerate(read_elements(root)):
        record = read_record(index, element)
        came = record.get("bver", version)
        if not is_known_version(came) or (index > 0 and came != version):
            raise MessageError("bad-version", "version 10 or 26, the same throughout", came, record=index)
        version = came
        records.append(record)
    _require_meta(records)
    if not any(is_reading(record) for record in records):
        raise MessageError("empty-pack", "a record that carries a reading", "base fields only")
    return records, int(version)


def is_reading(record: Record) -> bool:
    """Whether the record has more than base fields. Source: RFC 8428 section 5.1.7."""
    return not READING_LABELS.isdisjoint(record)


def is_whole(value: Any, *, low: int = 0, high: int = MAX_SEQ) -> TypeGuard[float]:
    """Whether this is a whole number from low to high, written with or without a fraction."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return low <= value <= high and value == int(value)


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        raise ValueError("a member name twice")
    return members


def _whole(digits: str) -> int | float:
    return int(digits) if len(digits) <= _MAX_DIGITS else float(digits)


def _is_shallow(root: Any) -> bool:
    level, depth = [root], 0
    while level and depth <= _MAX_DEPTH:
        inner = [item for item in level if isinstance(item, (list, dict))]
        level = [child for item in inner for child in (item.values() if isinstance(item, dict) else item)]
        depth += 1
    return not level


def _require_type(index: int, label: str, value: Any) -> None:
    if label in _TEXT and not isinstance(value, str):
        raise MessageError("bad-type", f"text as {label}", value, record=index)
    if label in _NUMBER and (isinstance(value, bool) or not isinstance(value, (int, float))):
        raise MessageError("bad-type", f"a number as {label}", value, record=index)
    if label == "vb" and not isinstance(value, bool):
        raise MessageError("bad-type", "true or false as vb", value, record=index)


def _require_meta(records: list[Record]) -> None:
    first = records[0]
    present = [label for label in META if label in first]
    if present and len(present) < len(META):
        raise MessageError("missing-meta", f"all or none of {', '.join(META)}", ", ".join(present), record=0)
    for index, record in enumerate(records[1:], start=1):
        for label in META:
            if label in record:
                raise MessageError("missing-meta", f"{label} in the first record only", label, record=index)
    if present:
        _require_meta_form(first)


def _require_meta_form(first: Record) -> None:
    if not names.is_journal(first["bjrn"]):
        raise MessageError("bad-meta", "a bjrn of 8 digits 0-9 a-f", first["bjrn"], record=0)
    if not is_whole(first["bseq"], low=1):
        raise MessageError("bad-meta", "a whole bseq from 1 to 2**53 - 1", first["bseq"], record=0)
    if not is_whole(first["bcnt"], low=1, high=MAX_RECORDS):
        raise MessageError("bad-meta", f"a whole bcnt from 1 to {MAX_RECORDS}", first["bcnt"], record=0)
    if first["bclk"] not in CLOCKS:
        raise MessageError("bad-meta", f"a bclk of {', '.join(CLOCKS)}", first["bclk"], record=0)

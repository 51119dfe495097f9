"""Resolving of records: base fields carried on, as plain SenML asks."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from sensors.message import structure
from sensors.message.structure import Record

RELATIVE_BELOW_S = 2**28  # a time below this counts from now, RFC 8428 section 4.5.3
_KEPT = ("vs", "vb", "vd", "ut")


@dataclass(frozen=True, slots=True, kw_only=True)
class Resolved:
    """A record on its own: full name, unit ("" for none), seconds as sent, value and sum if it has them."""

    index: int
    name: str
    unit: str
    time_s: float
    value: float | None
    total: float | None
    record: Record


def resolved(records: Iterable[Record]) -> Iterator[Resolved]:
    """Each record that carries a reading, in the order of the array.

    Source: RFC 8428 sections 4.5.1 to 4.5.4 and 4.6.
    """
    base: Record = {"bn": "", "bu": "", "bt": 0}
    for index, record in enumerate(records):
        base.update({label: record[label] for label in structure.BASES if label in record})
        if structure.is_reading(record):
            yield Resolved(
                index=index,
                name=base["bn"] + record.get("n", ""),
                unit=str(record.get("u", base["bu"])),
                time_s=float(base["bt"]) + float(record.get("t", 0)),
                value=_sum(record.get("v"), base.get("bv")),
                total=_sum(record.get("s"), base.get("bs")),
                record=record,
            )


def resolve(payload: bytes, *, arrival_ms: int) -> list[dict[str, Any]]:
    """The resolved records of any SenML pack, sorted by time, without the rules that are only ours.

    Relative times count from arrival_ms. Raises MessageError for a payload that is not SenML.
    Source: RFC 8428 section 4.6.
    """
    elements = structure.read_elements(structure.read_json(payload))
    records = [structure.read_record(index, element) for index, element in enumerate(elements)]
    rows = [_as_record(one, arrival_ms) for one in resolved(records)]
    return sorted(rows, key=lambda row: float(row["t"]))


def _as_record(one: Resolved, arrival_ms: int) -> dict[str, Any]:
    now_s = arrival_ms / 1000 if one.time_s < RELATIVE_BELOW_S else 0.0
    row: dict[str, Any] = {
        "n": one.name,
        "u": one.unit,
        "t": now_s + one.time_s,
        "v": one.value,
        "s": one.total,
    }
    row |= {label: one.record[label] for label in _KEPT if label in one.record}
    return {label: value for label, value in row.items() if value not in (None, "") or label == "vs"}


def _sum(own: float | None, base: float | None) -> float | None:
    if own is None:
        return None
    return float(own) if base is None else float(base) + float(own)

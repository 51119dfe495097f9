"""What a look says can have gone wrong: joints, leaf, and whether each box is heard."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import replace

from server.doors.built import shoulder_pairs
from server.doors.register import DoorHung
from server.inspection.seen import Seen
from server.inspection.values import Finding, SeriesLook

HOUR_MS = 3_600_000
# A box that sleeps may be late by half of its own interval and one more: the wire's rule.
OVERDUE_INTERVALS = 2.5
# Two days of a box that samples each ten minutes: fewer are on their way at any time.
BACK_FILL = 300
COMING_IN = "older readings are still coming in"
NEVER_HEARD = "has not been heard yet"
HEARD_SINCE = "heard since that night"


def door_findings(seen: Seen) -> tuple[Finding, ...]:
    """Joints and leaf of a door. A series that the kit does not have is left out of the evidence."""
    door, looks = seen.inputs.door, seen.looks
    rests_on = {one.key: one.rests_on for one in seen.made}
    if waiting(door) >= BACK_FILL:
        looks = {key: replace(one, reason=COMING_IN) for key, one in looks.items()}
    joints = [_joint(door, joint, looks, rests_on) for joint in shoulder_pairs(door.built)]
    return tuple(found for found in (*joints, _leaf(door, looks, rests_on)) if found is not None)


def silence(doors: Iterable[DoorHung], *, at_ms: int) -> tuple[Finding, ...]:
    """Of each box that watches a door, whether it is overdue at that time."""
    boxes = {door.built.node: door for door in doors}
    return tuple(_heard(name, door, at_ms) for name, door in boxes.items())


def _joint(
    door: DoorHung, joint: str, looks: Mapping[str, SeriesLook], rests_on: Mapping[str, tuple[str, ...]]
) -> Finding | None:
    turn, opening = looks.get(f"turn:{joint}"), looks.get(f"opening:{joint}")
    about = f"{door.name}/{joint}"
    if turn is None or opening is None:
        reason = "no reading of its gauges has been heard yet"
        return Finding(topic="joint", about=about, evidence={}, unjudged=reason)
    evidence = {
        "turn_stays_mrad": turn.number("stays"),
        "turn_low_mrad": turn.number("stays_low"),
        "turn_high_mrad": turn.number("stays_high"),
        "turn_open_mrad": turn.number("limit"),
        "opening_stays_mm": opening.number("stays"),
        "opening_low_mm": opening.number("stays_low"),
        "opening_high_mm": opening.number("stays_high"),
        "opening_open_mm": opening.number("limit"),
    }
    unjudged = turn.reason if turn.reason and opening.reason else None
    return Finding(
        topic="joint", about=about, evidence=evidence, rests_on=rests_on[f"turn:{joint}"], unjudged=unjudged
    )


def _leaf(
    door: DoorHung, looks: Mapping[str, SeriesLook], rests_on: Mapping[str, tuple[str, ...]]
) -> Finding | None:
    main = looks.get("droop") or next((one for key, one in looks.items() if key.startswith("gauge:")), None)
    if main is None or main.number("limit") is None:
        return None
    # Rack is left out until its rule asks for a low bound as well: by what stays alone it cries too soon.
    evidence = {
        "droop_stays_mm": main.number("stays"),
        "droop_low_mm": main.number("stays_low"),
        "droop_high_mm": main.number("stays_high"),
        "droop_limit_mm": main.number("limit"),
        **_growth([main, *(looks[key] for key in ("rack",) if key in looks)]),
    }
    return Finding(
        topic="leaf", about=door.name, evidence=evidence, rests_on=rests_on[main.key], unjudged=main.reason
    )


def _growth(looks: Iterable[SeriesLook]) -> dict[str, object]:
    """The rate of droop or of rack, the one with the greater low bound; None when neither serves."""
    told = [one for one in looks if one.rate is not None and one.low is not None]
    grows = max(told, key=lambda one: one.low or 0.0, default=None)
    if grows is None:
        return {"rate_mm_per_year": None, "rate_low_mm_per_year": None}
    return {
        "rate_of": grows.key.partition(":")[0],
        "rate_mm_per_year": grows.rate,
        "rate_low_mm_per_year": grows.low,
        "rate_high_mm_per_year": grows.high,
    }


def _heard(box: str, door: DoorHung, at_ms: int) -> Finding:
    last = door.node_last_heard_ms
    if last is None:
        return Finding(topic="heard", about=box, evidence={}, unjudged=NEVER_HEARD)
    if last > at_ms:
        return Finding(topic="heard", about=box, evidence={"last_heard_ms": last}, unjudged=HEARD_SINCE)
    silent_ms = at_ms - last
    overdue = silent_ms > OVERDUE_INTERVALS * 1000 * _interval_s(door)
    evidence = {"overdue": overdue, "silent_h": silent_ms / HOUR_MS, "last_heard_ms": last}
    return Finding(topic="heard", about=box, evidence=evidence)


def waiting(door: DoorHung) -> int:
    """How many instants its box said it has that are not stored yet."""
    pending = _status(door).get("pend")
    return pending if isinstance(pending, int) else 0


def _interval_s(door: DoorHung) -> float:
    """How often the box is to be heard: what it said when it went to sleep, else its upload interval."""
    told = _status(door)
    next_s = told.get("next_s") if told.get("st") == "asleep" else None
    return float(next_s) if isinstance(next_s, int | float) and next_s > 0 else float(door.upload_s)


def _status(door: DoorHung) -> dict[str, object]:
    """What the box last said of itself."""
    try:
        told = json.loads(door.node_status or "null")
    except ValueError:
        return {}
    return told if isinstance(told, dict) else {}

"""Two doors to be compared: which are asked for, and what was reckoned of them while their looks stand."""

from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from threading import Lock

from flask import current_app

from dashboards.pages import dates
from dashboards.pages.carpentry import load_told
from dashboards.pages.facts import DoorFacts
from server.database import Session
from server.errors import OutOfRangeError, UnknownDoorError
from server.inspection import results
from server.inspection.comparing import DROOP, Pair, SeenSoFar, pair_of

MOST_KEPT = 16
MOST_BAND = 10.0
NAME = "hangtrue-pairs"
Key = tuple[object, ...]


@dataclass(slots=True)
class Kept:
    """Pairs that were reckoned, the last used last; solving a pair takes a second, reading it again none."""

    pairs: OrderedDict[Key, Pair] = field(default_factory=OrderedDict)
    lock: Lock = field(default_factory=Lock)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Two doors, what of them is compared (a joint's name or `droop`), and the difference that matters."""

    a: DoorFacts
    b: DoorFacts
    name: str | None = None
    band: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """What was asked, and the answers: of that, of the droop beside it, and counted by openings."""

    asked: Asked
    pair: Pair
    name: str
    seen: SeenSoFar
    droop: SeenSoFar | None
    per_openings: SeenSoFar | None


def asked_for(told: list[DoorFacts], asked: Mapping[str, str]) -> Asked | None:
    """The doors of a query, else the first two by name; None where there are not two.

    Raises UnknownDoorError; OutOfRangeError for a band that is no number above 0.
    """
    if len(told) < 2:
        return None
    by_ref = {f"{one.door.site}/{one.door.name}": one for one in sorted(told, key=lambda one: one.door.ref)}
    first, second = list(by_ref)[:2]
    refs = asked.get("a") or first, asked.get("b") or second
    for ref in refs:
        if ref not in by_ref:
            raise UnknownDoorError("compare two doors", "doors that are hung here", repr(ref[:40]))
    name = asked.get("joint") or None
    return Asked(a=by_ref[refs[0]], b=by_ref[refs[1]], name=name, band=band_of(asked.get("band", "")))


def band_of(text: str) -> float | None:
    """The difference that matters as it was typed; None for none."""
    if not text.strip():
        return None
    try:
        band = float(text.strip().replace(",", ".")[:20])
    except ValueError:
        band = -1.0
    if not 0 < band <= MOST_BAND:
        needed = f"a number above 0, at most {MOST_BAND:g}, or nothing"
        raise OutOfRangeError("the difference that matters", needed, repr(text[:40]))
    return band


def compared(session: Session, asked: Asked) -> Compared:
    """The answers; a pair is solved once while the last looks at both doors stand.

    Raises OutOfRangeError for a joint that both do not watch.
    """
    kept = current_app.extensions.setdefault(NAME, Kept())
    key = _key(session, asked)
    with kept.lock:
        pair = kept.pairs.pop(key, None) or _pair(session, asked)
        kept.pairs[key] = pair
        while len(kept.pairs) > MOST_KEPT:
            kept.pairs.popitem(last=False)
        name = asked.name or next(iter(pair.asked))
        if name not in pair.asked:
            needed = f"one of {', '.join(pair.asked)}"
            raise OutOfRangeError("compare at a joint", needed, repr(name[:40]))
        return Compared(
            asked=asked,
            pair=pair,
            name=name,
            seen=pair.seen(name, asked.band),
            droop=None if name == DROOP else pair.seen(DROOP),
            per_openings=pair.seen_per_openings(name),
        )


def _key(session: Session, asked: Asked) -> Key:
    key: list[object] = []
    for one in (asked.a, asked.b):
        last = results.last_look(session, one.door.id)
        moments = tuple((name, joint.moment_n_m) for name, joint in load_told(one).joints.items())
        key += [one.door.id, None if last is None else last.looked, moments]
    return tuple(key)


def _pair(session: Session, asked: Asked) -> Pair:
    looks = [results.last_look(session, one.door.id) for one in (asked.a, asked.b)]
    looked = [asked.a.now if one is None else one.looked for one in looks]
    loads = load_told(asked.a), load_told(asked.b)
    return pair_of(session, (asked.a.door, asked.b.door), loads, dates.day_number(min(looked)))

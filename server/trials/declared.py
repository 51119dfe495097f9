"""The declared record: its fields, read and checked, with what each of them may claim."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Literal, cast

from server.trend.trial_fence import METHODS, NEWEST, Method
from server.trials.fields import Fields
from server.trials.refusals import (
    BandMissingError,
    DeclarationError,
    HorizonError,
    MomentUnknownError,
    ScopeError,
    StartError,
)

Design = Literal["pairs", "groups"]
Scope = Literal["doors", "kind"]
Quantity = Literal["turn_per_100_n_m", "turn_per_100_n_m_per_10000", "droop"]

FORM, METHOD = "hangtrue-trial-1", NEWEST.name
WRONG_AT_MOST, WISH_SEEN = "0.05", "0.80"
SHORTEST_DAYS, LONGEST_DAYS, YEAR_DAYS = 365, 5479, 365.25
FEWEST_PAIRS_FOR_A_KIND, FEWEST_DOORS_A_SIDE = 2, 3
RULES = {
    "re_hang": "step",
    "gauge_changed": "step",
    "joint_repaired": "ends_pair",
    "door_removed": "ends_pair",
}
FILLED = ("declared_on", "declared_by", "seen_until", "amends", "reason")
"""Fields that are written at sealing, not by the maker."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Joining:
    """One of the two ways of joining: the name it goes by, and its joint's kind."""

    name: str
    joint: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """A door of a trial as it was built: which version, which joints, and the moment of each, in N·m."""

    door: str
    version: int
    joints: tuple[str, ...]
    moments_n_m: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """A sealed record as values. `a` and `b` are matched one to one where the design is `pairs`.

    `method`: the fence it was sealed with, by which it is judged whatever came later.
    """

    method: Method
    question: str
    place: str
    declared_on: date
    declared_by: str
    side_a: Joining
    side_b: Joining
    design: Design
    scope: Scope
    a: tuple[Side, ...]
    b: tuple[Side, ...]
    quantity: Quantity
    band: float
    starts_on: date
    horizon_days: int
    exclusions: Mapping[str, str]
    seen_until: date | None
    amends: str | None
    reason: str | None

    @property
    def is_withdrawn(self) -> bool:
        """Whether it names no doors: then it ends the trial it amends."""
        return not self.a and not self.b

    @property
    def horizon_years(self) -> float:
        """How long it runs, in years of 365.25 days."""
        return self.horizon_days / YEAR_DAYS

    @property
    def size(self) -> int:
        """Number of pairs; of groups the larger side."""
        return max(len(self.a), len(self.b))


def draft_of(given: Mapping[str, object]) -> dict[str, object]:
    """The maker's fields of a record, checked and brought to their one form.

    Raises DeclarationError for a field that is missing, unknown or unusable; BandMissingError, HorizonError,
    ScopeError and MomentUnknownError for what cannot be claimed.
    """
    fields = Fields(given, where="declaration")
    design: Design = "groups" if fields.choice("design", ("pairs", "groups")) == "groups" else "pairs"
    draft: dict[str, object] = {
        "form": fields.constant("form", FORM),
        "method": fields.constant("method", METHOD),
        "question": fields.text("question"),
        "place": fields.text("place"),
        "side_a": _joining(fields.inner("side_a")),
        "side_b": _joining(fields.inner("side_b")),
        "design": design,
        "scope": fields.choice("scope", ("doors", "kind")),
        design: _pairs(fields) if design == "pairs" else _groups(fields),
        "quantity": fields.choice("quantity", ("turn_per_100_n_m", "turn_per_100_n_m_per_10000", "droop")),
        "band": _band(fields),
        "wrong_at_most": fields.constant("wrong_at_most", WRONG_AT_MOST),
        "wish_seen": fields.decimal("wish_seen", default=WISH_SEEN),
        "starts_on": fields.day("starts_on").isoformat(),
        "horizon_days": fields.whole("horizon_days"),
        "exclusions": [_exclusion(one) for one in fields.list_of("exclusions", default=[])],
    }
    fields.refuse_others()
    refuse_overclaim(draft)
    for side in (one for sides in sides_of(draft) for one in sides):
        side.pop("no_moment", None)  # said in the refusal alone: the record holds no reasons
    return draft


def refuse_overclaim(draft: Mapping[str, object]) -> None:
    """Raise what the fields together cannot claim; a withdrawal claims nothing and passes."""
    days = int(str(draft["horizon_days"]))
    if not SHORTEST_DAYS <= days <= LONGEST_DAYS:
        raise HorizonError("horizon", "1 to 15 years", f"{days / YEAR_DAYS:.3g}")
    if draft["method"] != METHOD:  # a draft that was left lying while the method changed
        needed = f"{METHOD}, the one that is declared now: declare it anew"
        raise DeclarationError("declaration, method", needed, repr(draft["method"])[:40])
    a, b = sides_of(draft)
    if not a and not b:
        raise DeclarationError("declaration", "1 pair of doors or more", "none")
    _refuse_twice([str(side["door"]) for side in (*a, *b)])
    if draft["quantity"] != "droop":
        _refuse_no_moment([*a, *b])
    _refuse_scope(draft, len(a), len(b))


def sides_of(record: Mapping[str, object]) -> tuple[list[dict[str, object]], list[dict[str, object]]]:
    """The sides a and b of a record's pairs or groups, in order."""
    if record["design"] == "groups":
        groups = cast("dict[str, list[dict[str, object]]]", record["groups"])
        return groups["a"], groups["b"]
    pairs = cast("list[dict[str, dict[str, object]]]", record["pairs"])
    return [pair["a"] for pair in pairs], [pair["b"] for pair in pairs]


def without_doors(record: Mapping[str, object]) -> dict[str, object]:
    """The same record with nothing to compare: what withdraws it."""
    empty: object = [] if record["design"] == "pairs" else {"a": [], "b": []}
    return {**record, str(record["design"]): empty}


def refuse_early_start(starts_on: date, today: date) -> None:
    """Raise StartError for a start before the day of sealing."""
    if starts_on < today:
        raise StartError("start", f"{spoken(today)} or later, the day of sealing", spoken(starts_on))


def spoken(day: date) -> str:
    """A day as it is said: 24 November 2026."""
    return f"{day.day} {day:%B %Y}"


def method_of(record: Mapping[str, object]) -> Method:
    """The method that a record names. Raises DeclarationError for one that is not known here."""
    name = str(record["method"])
    if name not in METHODS:
        raise DeclarationError("record, method", f"one of {', '.join(METHODS)}", repr(name)[:40])
    return METHODS[name]


def declared_of(record: Mapping[str, object]) -> Declared:
    """A sealed record as values. Raises as `method_of`."""
    text = {key: str(value) for key, value in record.items()}
    a, b = sides_of(record)
    seen, amends, reason = (record[key] for key in ("seen_until", "amends", "reason"))
    fields = Fields(record, where="record")
    return Declared(
        method=method_of(record),
        question=text["question"],
        place=text["place"],
        declared_on=date.fromisoformat(text["declared_on"]),
        declared_by=text["declared_by"],
        side_a=Joining(**_joining(fields.inner("side_a"))),
        side_b=Joining(**_joining(fields.inner("side_b"))),
        design="groups" if record["design"] == "groups" else "pairs",
        scope="kind" if record["scope"] == "kind" else "doors",
        a=tuple(_side_of(side) for side in a),
        b=tuple(_side_of(side) for side in b),
        quantity=_quantity(text["quantity"]),
        band=float(text["band"]),
        starts_on=date.fromisoformat(text["starts_on"]),
        horizon_days=int(text["horizon_days"]),
        exclusions=dict(_rule(one) for one in fields.list_of("exclusions")),
        seen_until=None if seen is None else date.fromisoformat(str(seen)),
        amends=None if amends is None else str(amends),
        reason=None if reason is None else str(reason),
    )


def _joining(fields: Fields) -> dict[str, str]:
    joining = {"name": fields.text("name"), "joint": fields.text("joint")}
    fields.refuse_others()
    return joining


def _pairs(fields: Fields) -> list[dict[str, object]]:
    pairs: list[dict[str, object]] = []
    for one in fields.list_of("pairs"):
        pairs.append({"a": _side(one.inner("a")), "b": _side(one.inner("b"))})
        one.refuse_others()
    return pairs


def _groups(fields: Fields) -> dict[str, object]:
    both = fields.inner("groups")
    groups: dict[str, object] = {key: [_side(one) for one in both.list_of(key)] for key in ("a", "b")}
    both.refuse_others()
    return groups


def _side(fields: Fields) -> dict[str, object]:
    joints = fields.texts("joints")
    side: dict[str, object] = {
        "door": fields.text("door"),
        "version": fields.whole("version"),
        "joints": joints,
        "moment_n_m": fields.decimals("moment_n_m", len(joints)),
    }
    if (why := fields.text("no_moment", default="")) and side["moment_n_m"] is None:
        side["no_moment"] = why
    fields.refuse_others()
    return side


def _exclusion(fields: Fields) -> dict[str, str]:
    event = fields.choice("event", tuple(RULES))
    rule = fields.constant("rule", RULES[event])
    fields.refuse_others()
    return {"event": event, "rule": rule}


def _band(fields: Fields) -> str:
    if not fields.has("band"):
        raise BandMissingError("band", "the least difference that would change what you build", "none")
    return fields.decimal("band")


def _refuse_twice(doors: list[str]) -> None:
    for door in doors:
        if doors.count(door) > 1:
            raise DeclarationError("declaration", "each door in one place", f"{door[:40]!r} in two")


def _refuse_no_moment(sides: list[dict[str, object]]) -> None:
    for side in sides:
        if side["moment_n_m"] is None:
            why = f" ({side['no_moment']})" if "no_moment" in side else ""
            came = f"none for {side['door']}{why}"
            raise MomentUnknownError("per 100 N·m", "each joint's own moment", came)


def _refuse_scope(draft: Mapping[str, object], a: int, b: int) -> None:
    if draft["design"] == "groups":
        if draft["scope"] == "doors":
            raise ScopeError(
                "unmatched doors", "the scope kind", "doors; in pairs they may speak of themselves"
            )
        if min(a, b) < FEWEST_DOORS_A_SIDE:
            raise ScopeError(
                "a verdict from unmatched doors", f"{FEWEST_DOORS_A_SIDE} a side", f"{a} and {b}"
            )
    elif draft["scope"] == "kind" and a < FEWEST_PAIRS_FOR_A_KIND:
        needed, came = (
            f"{FEWEST_PAIRS_FOR_A_KIND} pairs or more",
            f"{a}; with one pair it speaks of these two doors",
        )
        raise ScopeError("a verdict for a way of joining", needed, came)


def _side_of(side: Mapping[str, object]) -> Side:
    fields = Fields(side, where="record")
    moment = side["moment_n_m"]
    moments = [] if moment is None else moment if isinstance(moment, list) else [moment]
    return Side(
        door=str(side["door"]),
        version=int(str(side["version"])),
        joints=tuple(fields.texts("joints")),
        moments_n_m=tuple(float(Decimal(str(one))) for one in moments),
    )


def _quantity(text: str) -> Quantity:
    if text == "droop":
        return "droop"
    return "turn_per_100_n_m" if text == "turn_per_100_n_m" else "turn_per_100_n_m_per_10000"


def _rule(fields: Fields) -> tuple[str, str]:
    return fields.text("event"), fields.text("rule")

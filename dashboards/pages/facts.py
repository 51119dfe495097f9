"""Facts of a page: what the subjects say of a door, put together."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from dashboards.pages import dates, words
from server.alerts import ledger
from server.alerts.ledger import AlertView, DoorState
from server.doors.built import droop_limit_mm, turn_limit_mrad
from server.doors.load_tests import LoadTest
from server.doors.register import DoorHung
from server.inspection.results import Parts, SeriesResult

YEAR_DAYS, LEAST_DAYS, MOST_COLLINEARITY = 365, 180, 4.0
GRAIN = 4.0  # a swing is more than the gauges' grain from so many standard deviations of one day's value

STEP_STATES = ledger.STATES


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """One series as a page needs it; `why` no rate is said: `year`, `season`, `wide`, `kit`, `other`."""

    key: str
    unit: str
    status: str
    why: str | None
    reason: str
    rate: float | None
    low: float | None
    high: float | None
    facts: Mapping[str, object]
    parts: Parts | None

    def number(self, key: str) -> float | None:
        """A figure of the look, None where it has none."""
        return _real(self.facts, key)

    def word(self, key: str) -> str | None:
        """A word of the look, None where it has none."""
        value = self.facts.get(key)
        return value if isinstance(value, str) else None

    @property
    def is_told(self) -> bool:
        """Whether season and set are told apart."""
        return self.why is None and self.number("stays") is not None and self.number("now") is not None

    @property
    def is_growing(self) -> bool:
        """Whether growth is told apart from none."""
        return self.why is None and self.low is not None and self.low > 0

    @property
    def bounds(self) -> tuple[float, float] | None:
        """The 95 % bounds of what stays; None where it is not told."""
        low, high = self.number("stays_low"), self.number("stays_high")
        return (low, high) if self.is_told and low is not None and high is not None else None

    @property
    def may_be_past(self) -> bool:
        """Whether the bounds of what stays reach its limit."""
        limit = self.number("limit")
        return self.bounds is not None and limit is not None and self.bounds[1] >= limit

    @property
    def split(self) -> words.Split | None:
        """What is shown of it, None while season and set are not told apart."""
        now, stays = self.number("now"), self.number("stays")
        return words.split(now, stays) if self.why is None and now is not None and stays is not None else None

    @property
    def shown_parts(self) -> Parts | None:
        """What may be drawn: without what stays while that is not told."""
        if self.parts is None or self.parts.day.size == 0:
            return None
        if self.why is None:
            return self.parts
        none = np.full(self.parts.day.size, np.nan)
        return Parts(
            day=self.parts.day,
            seen=self.parts.seen,
            stays=none,
            stays_low=none,
            stays_high=none,
            back=none,
            moisture=self.parts.moisture,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Spent:
    """How much of a limit is spent; `season` is None where only what stays counts."""

    what: str
    unit: str
    stays: float
    season: float | None
    swing: float | None
    limit: float
    movement: Movement
    is_alarmed: bool = False

    @property
    def left(self) -> float:
        """What is left of the limit as shown: limit less the parts as shown."""
        return round(round(self.limit, 2) - round(self.stays, 2) - round(self.season or 0.0, 2), 2) + 0.0

    @property
    def share(self) -> float:
        """What stays as a share of its limit."""
        return self.stays / self.limit


@dataclass(frozen=True, slots=True, kw_only=True)
class JointFacts:
    """A joint's row: its two series, its reading as a state's key or as a word."""

    joint: str
    turn: Movement | None
    opening: Movement | None
    spent: Spent | None
    state: str | None
    word: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorFacts:
    """All that the pages of a door rest on."""

    door: DoorHung
    state: str
    state_since: datetime | None
    last_state: str
    heard: datetime | None
    now: datetime
    zone: str
    main: Movement | None
    leaf: Spent | None
    worst: Spent | None
    joints: tuple[JointFacts, ...]
    standing: tuple[AlertView, ...]
    tests: tuple[LoadTest, ...] = ()

    @property
    def at_gauge(self) -> bool:
        """Whether one gauge alone speaks for the corner."""
        return self.main is not None and self.main.key.startswith("gauge:")

    @property
    def href(self) -> str:
        """Where the door's page is."""
        return f"/doors/{self.door.site}/{self.door.name}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What the subjects said of one door at one moment."""

    door: DoorHung
    results: Mapping[str, SeriesResult]
    state: DoorState
    standing: Sequence[AlertView]
    now: datetime
    zone: str
    tests: tuple[LoadTest, ...] = ()


def door_facts(heard: Heard) -> DoorFacts:
    """Facts of a door from what the register, the last look and the ledger say."""
    door = heard.door
    ours = tuple(alert for alert in heard.standing if alert.door_id == door.id)
    moves = {key: movement(result) for key, result in heard.results.items()}
    main = moves.get("droop") or next((m for key, m in moves.items() if key.startswith("gauge:")), None)
    joints = tuple(_joint(name, moves, door, ours) for name in joints_in_order(door, moves))
    spent = [joint.spent for joint in joints if joint.spent]
    last_ms = door.node_last_heard_ms
    return DoorFacts(
        door=door,
        state=heard.state.key,
        state_since=heard.state.since,
        last_state=_last_state(heard.state.key, ours, main),
        heard=None if last_ms is None else dates.at_ms(last_ms),
        now=heard.now,
        zone=heard.zone,
        main=main,
        leaf=_leaf(main, door, ours),
        worst=max(spent, key=lambda one: one.share, default=None),
        joints=joints,
        standing=ours,
        tests=heard.tests,
    )


def movement(result: SeriesResult) -> Movement:
    """A result as the pages need it."""
    return Movement(
        key=result.key,
        unit=result.unit,
        status=result.status,
        why=_why(result),
        reason=result.reason or "",
        rate=result.rate,
        low=result.low,
        high=result.high,
        facts=result.facts,
        parts=result.parts,
    )


def joints_in_order(door: DoorHung, series: Iterable[str]) -> list[str]:
    """Joints that have a series, by place: top to bottom, hinge side first."""
    have = {key.partition(":")[2] for key in series if key.startswith(("turn:", "opening:"))}
    rails = sorted(door.built.rails, key=lambda rail: -rail.axis_mm)
    places = [f"{rail.name}-{end}" for rail in rails for end in ("hinge", "latch")]
    return [joint for joint in places if joint in have] + sorted(have - set(places))


def pressing(facts: DoorFacts) -> tuple[int, str]:
    """A sort key: most pressing first, then by name. A silent door keeps the place of its last state."""
    order = words.PRESSING
    return min(order.index(facts.state), order.index(facts.last_state)), facts.door.shown.casefold()


def _why(result: SeriesResult) -> str | None:
    if result.status != "refused" and None not in (result.rate, result.low, result.high):
        return None
    if result.facts.get("told") == "not_told":
        return "kit"
    return "year" if _is_short(result.facts) else _unsure(result.facts)


def _is_short(facts: Mapping[str, object]) -> bool:
    first, last, seen = (_real(facts, key) for key in ("first_day", "last_day", "days_seen"))
    under_a_year = first is not None and last is not None and last - first + 1 < YEAR_DAYS
    return under_a_year or (seen is not None and seen < LEAST_DAYS)


def _unsure(facts: Mapping[str, object]) -> str:
    together, half = _real(facts, "collinearity"), _real(facts, "half_width")
    if together is not None and together > MOST_COLLINEARITY:
        return "season"
    return "wide" if half is not None else "other"


def _real(facts: Mapping[str, object], key: str) -> float | None:
    value = facts.get(key)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    number = float(value) if is_number else np.nan  # type: ignore[arg-type]  # a number by the line above
    return number if np.isfinite(number) else None


def _last_state(key: str, ours: Sequence[AlertView], main: Movement | None) -> str:
    if key != "not_heard":
        return key
    said = [STEP_STATES[alert.step] for alert in ours if alert.step in STEP_STATES]
    before = [state for state in said if state != "not_heard"]
    if before:
        return min(before, key=words.PRESSING.index)
    if main is None or not main.is_told:
        return "settling"
    return "taking_a_set" if main.is_growing else "seasonal"


def _leaf(main: Movement | None, door: DoorHung, ours: Sequence[AlertView]) -> Spent | None:
    if main is None or not main.is_told:
        return None
    limit = main.number("limit")
    if limit is None and main.key == "droop":
        limit = droop_limit_mm(door.built)
    stays = main.number("stays")
    if limit is None or limit <= 0 or stays is None:
        return None
    season = max(0.0, main.number("worst_season") or 0.0)
    return Spent(
        what="Leaf to frame",
        unit=main.unit,
        stays=stays,
        season=season,
        swing=None,
        limit=limit,
        movement=main,
        is_alarmed=any(alert.step == "leaf_over" for alert in ours),
    )


def _joint(
    joint: str, moves: Mapping[str, Movement], door: DoorHung, ours: Sequence[AlertView]
) -> JointFacts:
    turn, opening = moves.get(f"turn:{joint}"), moves.get(f"opening:{joint}")
    limits = door.built.limits
    spent = [
        one
        for one in (
            _spent(joint, turn, turn_limit_mrad(door.built, joint), ours),
            _spent(joint, opening, limits.opening_open_mm, ours),
        )
        if one
    ]
    nearest = max(spent, key=lambda one: one.share, default=None)
    state, word = _reading(joint, [m for m in (turn, opening) if m], ours)
    return JointFacts(joint=joint, turn=turn, opening=opening, spent=nearest, state=state, word=word)


def _spent(joint: str, one: Movement | None, usual: float, ours: Sequence[AlertView]) -> Spent | None:
    if one is None or not one.is_told:
        return None
    limit, stays = one.number("limit") or usual, one.number("stays")
    if stays is None or limit <= 0:
        return None
    return Spent(
        what=f"{words.place(joint)}, {'turn' if one.key.startswith('turn:') else 'mean opening'}",
        unit=one.unit,
        stays=stays,
        season=None,
        swing=one.number("swing_year"),
        limit=limit,
        movement=one,
        is_alarmed=bool({"joint_opening", "joint_open"} & _steps_about(joint, ours)),
    )


def _reading(joint: str, moves: Sequence[Movement], ours: Sequence[AlertView]) -> tuple[str | None, str]:
    steps = _steps_about(joint, ours)
    for step in ("joint_open", "joint_opening"):
        if step in steps:
            return STEP_STATES[step], ""
    return (None, "Joint to watch") if "joint_watch" in steps else _told_reading(moves)


def _steps_about(joint: str, ours: Sequence[AlertView]) -> set[str]:
    return {alert.step for alert in ours if alert.about.rpartition("/")[2] == joint}


def _told_reading(moves: Sequence[Movement]) -> tuple[str | None, str]:
    if any(move.why == "year" for move in moves):
        return "settling", ""
    if not all(move.is_told for move in moves):
        return None, "Not said"
    if any(move.is_growing and move.may_be_past for move in moves):
        return None, "Growth; may be past its limit"
    if any(move.is_growing for move in moves):
        return None, "Growth, within its limit"
    return ("seasonal", "") if any(_swings(move) for move in moves) else ("true", "")


def _swings(move: Movement) -> bool:
    swing, grain = move.number("swing_year"), move.number("sd_day")
    return swing is not None and grain is not None and swing > GRAIN * grain

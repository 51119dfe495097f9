"""Facts of a page: what the subjects say of a door, put together."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from dashboards.pages import dates, words
from dashboards.pages.movement import Movement, movement
from server.alerts import ledger
from server.alerts.ledger import AlertView, DoorState
from server.doors.built import droop_limit_mm, turn_limit_mrad
from server.doors.load_tests import LoadTest
from server.doors.register import DoorHung
from server.inspection.results import SeriesResult

GRAIN = 4.0  # a swing is more than the gauges' grain from so many standard deviations of one day's value

STEP_STATES = ledger.STATES
IN_DOUBT = "Not said: gauge in doubt"

__all__ = [
    "IN_DOUBT",
    "STEP_STATES",
    "DoorFacts",
    "Heard",
    "JointFacts",
    "Movement",
    "Spent",
    "door_facts",
    "doubted_gauges",
    "is_drawn_from",
    "joints_in_order",
    "movement",
    "pressing",
]


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
    def state_word(self) -> str:
        """The state's word; one whose year is over and whose parts are not told is not in its first year."""
        is_past = self.main is not None and self.main.why not in (None, "year")
        return words.NOT_PARTED if self.state == "settling" and is_past else words.STATES[self.state]

    @property
    def by_hand(self) -> int | None:
        """The last day since 1970 that was entered by hand: its box was not heard then; else None."""
        last = None if self.main is None else self.main.number("last_day")
        heard = None if self.heard is None else dates.day_number(self.heard)
        return None if last is None or (heard is not None and last <= heard) else int(last)

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
    main = _main(moves)
    joints = tuple(_joint(name, moves, door, ours) for name in joints_in_order(door, moves))
    spent = [joint.spent for joint in joints if joint.spent]
    last_ms = door.node_last_heard_ms
    return DoorFacts(
        door=door,
        state=heard.state.key,
        state_since=heard.state.since,
        last_state=_last_state(heard, ours),
        heard=None if last_ms is None else dates.at_ms(last_ms),
        now=heard.now,
        zone=heard.zone,
        main=main,
        leaf=_leaf(main, door, ours),
        worst=max(spent, key=lambda one: (one.movement.is_alarmed, one.share), default=None),
        joints=joints,
        standing=ours,
        tests=heard.tests,
    )


def _main(moves: Mapping[str, Movement]) -> Movement | None:
    """The corner's droop, else that at the one gauge; last of all a droop that its gauges do not tell."""
    droop = moves.get("droop")
    at_gauge = next((one for key, one in moves.items() if key.startswith("gauge:")), None)
    return at_gauge if at_gauge is not None and (droop is None or droop.is_untold) else droop


def doubted_gauges(standing: Iterable[AlertView]) -> set[str]:
    """Gauges of a door that an alert doubts, by their channel's own name."""
    return {alert.about.rpartition("/")[2] for alert in standing if alert.topic == "gauge"}


def is_drawn_from(key: str) -> bool:
    """Whether the days of a series may be drawn on a door's page: of the corner alone."""
    return key == "droop" or key.startswith("gauge:")


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


def _last_state(heard: Heard, ours: Sequence[AlertView]) -> str:
    """The state of a silent door when it was last heard, by the ledger's own rule."""
    if heard.state.key != "not_heard":
        return heard.state.key
    said = [STEP_STATES[alert.step] for alert in ours if alert.step in STEP_STATES]
    before = [state for state in said if state != "not_heard"]
    return min(before, key=words.PRESSING.index) if before else ledger.quiet_state(heard.results)


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
        is_alarmed=main.is_alarmed or any(alert.step == "leaf_over" for alert in ours),
    )


def _joint(
    joint: str, moves: Mapping[str, Movement], door: DoorHung, ours: Sequence[AlertView]
) -> JointFacts:
    turn, opening = moves.get(f"turn:{joint}"), moves.get(f"opening:{joint}")
    if doubted_gauges(ours) & {
        gauge.channel.rpartition("/")[2] for gauge in door.built.gauges if gauge.joint == joint
    }:
        return JointFacts(joint=joint, turn=None, opening=None, spent=None, state=None, word=IN_DOUBT)
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
        is_alarmed=one.is_alarmed or bool({"joint_opening", "joint_open"} & _steps_about(joint, ours)),
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

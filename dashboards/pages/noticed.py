"""What moved a door's line: marks that a person made, and steps that were found and nobody logged."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from dashboards.pages import dates, words
from dashboards.pages.facts import DoorFacts
from dashboards.pages.movement import Movement, Shift
from server.alerts.saying_door import felt_words
from server.doors.marks import NOTICED, Mark
from server.inspection.felt import Felt
from server.inspection.found.steps import LOGGED_WITHIN_DAYS, SAME_STEP_DAYS

DAY_MS = 86_400_000
MOVING = (
    "eased",
    "planed",
    "hinge packed",
    "rehung",
    "repaired",
    "joint repaired",
    "gauge-moved",
    "gauge changed",
    "slam",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A tick on the trend at a day since 1970; `is_found`: a step that nobody logged."""

    day: int
    is_found: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundStep:
    """A step that nobody logged: its day since 1970, its sentence, and a slam that was felt beside it."""

    day: int
    said: str
    slam: Felt | None = None

    @property
    def mark(self) -> str:
        """The kind of mark that would log it, as far as that can be guessed."""
        return "note" if self.slam is None else "slam"


def ticks(facts: DoorFacts, marks: Sequence[Mark]) -> tuple[Tick, ...]:
    """Marks that move the line, and the steps found in what is drawn."""
    made = {mark.t_ms // DAY_MS for mark in marks if mark.kind in MOVING}
    steps = [] if facts.main is None else [step.day for step in facts.main.steps]
    found = {day for day in steps if not _is_logged(day, marks)}
    return tuple(Tick(day=day, is_found=day in found) for day in sorted(made | found))


def found_steps(facts: DoorFacts, marks: Sequence[Mark]) -> list[FoundStep]:
    """One line for each step that nobody logged; one that shows in several series is one step."""
    moves = [facts.main, *(one for joint in facts.joints for one in (joint.turn, joint.opening))]
    shifts = [(step, one) for one in moves if one is not None for step in one.steps]
    rank = {one.key: place for place, one in enumerate(moves) if one is not None}
    groups: list[list[tuple[Shift, Movement]]] = []
    for step, one in sorted(shifts, key=lambda pair: pair[0].day):
        if groups and step.day - groups[-1][0][0].day <= SAME_STEP_DAYS:
            groups[-1].append((step, one))
        else:
            groups.append([(step, one)])
    told = [min(group, key=lambda pair: rank[pair[1].key]) for group in groups]
    return [
        FoundStep(day=step.day, said=_said(step, one, also=len({each.key for _, each in group}) - 1))
        for (step, one), group in zip(told, groups, strict=True)
        if not any(_is_logged(each.day, marks) for each, _ in group)
    ]


def with_slams(steps: Sequence[FoundStep], felt: Mapping[int, Felt]) -> list[FoundStep]:
    """The same, each with the slam that was felt on its day or the day before, by the step's day."""
    return [_with_slam(one, felt[one.day]) if one.day in felt else one for one in steps]


def _with_slam(one: FoundStep, slam: Felt) -> FoundStep:
    beside = felt_words(is_same_day=slam.day == one.day, is_hardest=slam.is_hardest)
    return replace(one, said=f"{one.said}{beside}", slam=slam)


def _is_logged(day: int, marks: Sequence[Mark]) -> bool:
    made = [mark.t_ms // DAY_MS for mark in marks if mark.kind not in NOTICED]
    return any(abs(one - day) <= LOGGED_WITHIN_DAYS for one in made)


def _said(step: Shift, one: Movement, *, also: int) -> str:
    size = words.measure(abs(step.size), one.unit)
    kind = one.key.partition(":")[0]
    if kind in ("turn", "opening"):
        way = "open" if step.size > 0 else "closed"
        what = "turn" if kind == "turn" else "opening"
        place = words.place(one.key.partition(":")[2]).lower()
        start = f"A step of {size} {way} in the {what} of the {place},"
    else:
        start = f"A step of {size} {'down' if step.size > 0 else 'up'}"
    too = f" It shows in {also} other {'movement' if also == 1 else 'movements'} too." if also else ""
    return f"{start} on {dates.long_date(dates.day_date(step.day))}. Nobody has logged why.{too}"

"""What a message is composed from, and what comes of it: posts, alerts, events owed, lines. Values alone."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

WEIGHTS = {"today": 0, "soon": 1, "note": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class Post:
    """Who is told what, by which channel. `doors` None: all. `least`: the lightest weight told."""

    id: int
    channel: str
    doors: frozenset[int] | None = None
    least: str = "note"
    house: bool = True
    person: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Owed:
    """An event that a post is owed and that is in no message yet. `waits`: what it waited for last time."""

    event_id: int
    alert_id: int
    slot: str
    kind: str
    step: str
    detail: str = ""
    waits: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertFacts:
    """An alert as it is tonight, standing or ended. Nights are dates as text.

    `covered`: another alert says it. `was_covered`: it was so when it was raised. `backs`: its returns.
    `carries`: the step and cause that it hides. `persons`: of a channel's alert, whose channel it is.
    """

    id: int
    topic: str
    about: str
    step: str
    weight: str
    rank: int = 1
    door_id: int | None = None
    ended: str | None = None
    how: str | None = None
    seen: str | None = None
    left_until: str | None = None
    is_frozen: bool = False
    covered: bool = False
    was_covered: bool = False
    backs: tuple[str, ...] = ()
    carries: str | None = None
    persons: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One cause in a message. `kind`: an event's, or `still`, `chatter`, `passed`, `over`, `contradicted`."""

    kind: str
    alert_id: int
    step: str
    weight: str
    rank: int
    door_id: int | None
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recent:
    """A message that this post was sent before, oldest first. `standing`: the alerts its sheet listed."""

    slot: str
    kind: str
    state: str
    lines: tuple[Line, ...] = ()
    standing: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """The slot that is composed: a date, or a UTC hour for the house. `is_fresh`: for the first time."""

    slot: str
    is_fresh: bool = True

    @property
    def day(self) -> date:
        """Its date."""
        return date.fromisoformat(self.slot[:10])

    @property
    def is_hour(self) -> bool:
        """Whether it is an hour's look at the house, which says only what was raised or rose."""
        return "T" in self.slot

    @property
    def is_monday(self) -> bool:
        """Whether notes, easings and ends are said."""
        return not self.is_hour and self.day.weekday() == 0

    @property
    def has_sheet(self) -> bool:
        """Whether all that stands is said; once a slot."""
        return not self.is_hour and self.is_fresh and self.day.day == 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A message in values. `standing` None: it carries no sheet. `flood`: how many causes, when too many."""

    kind: str
    lines: tuple[Line, ...]
    standing: tuple[int, ...] | None = None
    flood: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A message or none, and what becomes of each event: in the message (None), or why it waits or goes."""

    draft: Draft | None
    fates: Mapping[int, str | None] = field(default_factory=dict)

"""Counting nights: what a cause's condition is after one more night. Values in, values out. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from server.alerts.steps import DOUBTING, LAPSING, NEWS, STEPS, Step, steps_of
from server.alerts.verdicts import Found, Limits, Verdict

NOT_LOOKED_AT, NOT_HEARD, IN_DOUBT = "not looked at", "not heard", "gauge in doubt"
# The 31st night running that could not be judged empties both counts.
FORGOTTEN_AFTER = 31
LAPSE_NIGHTS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """Nights running for and against a step, and nights running that could not be judged."""

    over: int = 0
    under: int = 0
    idle: int = 0
    since: str | None = None
    """The night from which the step stands; None while it does not."""
    first: str | None = None
    """The first night of the run for the step; None without one."""


Counts = Mapping[str, Count]


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One cause after a night.

    `frozen`: why it could not be judged. `hidden`: its counts as if the gauges in doubt were right.
    `closed`: the step and night at which a person closed it while it stood. `done`: `told` or `lapsed`; such
    a cause never stands again.
    """

    counts: Counts = field(default_factory=dict)
    frozen: str | None = None
    holds: bool = False
    closed: tuple[str, str] | None = None
    hidden: Counts | None = None
    done: str | None = None

    @property
    def standing(self) -> Step | None:
        """The highest step that stands."""
        return _highest(self.counts)

    @property
    def is_hiding(self) -> Step | None:
        """The step that would stand if the gauges in doubt were right, where that is worse."""
        hidden, standing = _highest(self.hidden or {}), self.standing
        if hidden is None or (standing is not None and hidden.rank <= standing.rank):
            return None
        return hidden

    @property
    def is_at_rest(self) -> bool:
        """Whether a night without a finding would change nothing."""
        if self.done:
            return True
        counts = [*self.counts.values(), *(self.hidden or {}).values()]
        return self.closed is None and all(one.since is None and one.over == 0 for one in counts)

    @property
    def is_in_doubt(self) -> bool:
        """Of a gauge: from the first night that its doubt holds until its own clear count is full."""
        counts = [self.counts[code] for code in DOUBTING if code in self.counts]
        return any(one.over > 0 or one.since is not None for one in counts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Why a cause is held back tonight: its box is not heard, or a gauge that it rests on is in doubt."""

    is_silent: bool = False
    is_doubted: bool = False

    @property
    def reason(self) -> str | None:
        """The reason in words; None while it is not held back."""
        if self.is_silent:
            return NOT_HEARD
        return IN_DOUBT if self.is_doubted else None


FREE = Held()


def judge(finding: Found, step: Step, limits: Limits) -> Verdict:
    """What a finding says of a step tonight. Of what could not be judged it says nothing either way."""
    return "unjudged" if finding.unjudged else step.verdict(finding.evidence, limits)


def fold(
    before: Condition,
    finding: Found | None,
    *,
    cause: tuple[str, str],
    night: str,
    limits: Limits,
    held: Held = FREE,
) -> Condition:
    """A cause's condition after one more night; without a finding it was not looked at."""
    topic, about = cause
    steps = steps_of(topic, about)
    if before.done:
        return before
    seen = _verdicts(None if held.is_silent else finding, steps, limits)
    frozen = NOT_LOOKED_AT if finding is None else held.reason or finding.unjudged
    said = seen if frozen is None else _verdicts(None, steps, limits)
    hidden = None
    if held.is_doubted:
        hidden = _all_counted(before.hidden or before.counts, steps, seen, night)
    after = replace(
        before, counts=_all_counted(before.counts, steps, said, night), frozen=frozen, hidden=hidden
    )
    return _settled(after, topic, said, night)


def nights_between(first: str, last: str) -> int:
    """Nights from one slot to another; a slot is a date, or a date with an hour."""
    return (date.fromisoformat(last[:10]) - date.fromisoformat(first[:10])).days


def _settled(after: Condition, topic: str, said: Mapping[str, Verdict], night: str) -> Condition:
    standing = after.standing
    if standing is None:
        return replace(after, holds=False, closed=None)
    if topic == NEWS:
        return replace(after, holds=True, done="told")
    since = after.counts[standing.code].since or night
    if topic in LAPSING and nights_between(since, night) >= LAPSE_NIGHTS:
        return replace(after, counts={}, hidden=None, holds=False, closed=None, done="lapsed")
    return replace(after, holds=said[standing.code] in ("holds", "at_once"))


def _verdicts(finding: Found | None, steps: list[Step], limits: Limits) -> dict[str, Verdict]:
    if finding is None:
        return {step.code: "unjudged" for step in steps}
    return {step.code: judge(finding, step, limits) for step in steps}


def _all_counted(
    before: Counts, steps: list[Step], verdicts: Mapping[str, Verdict], night: str
) -> dict[str, Count]:
    return {
        step.code: _counted(before.get(step.code, Count()), step, verdicts[step.code], night)
        for step in steps
    }


def _counted(before: Count, step: Step, verdict: Verdict, night: str) -> Count:
    if verdict == "unjudged":
        if before.idle + 1 == FORGOTTEN_AFTER:
            return Count(idle=FORGOTTEN_AFTER, since=before.since)
        return replace(before, idle=before.idle + 1)
    over = {"at_once": step.nights, "holds": before.over + 1}.get(verdict, 0)
    under = {"gone_at_once": step.clear, "gone": before.under + 1}.get(verdict, 0)
    since = before.since
    if over >= step.nights and since is None:
        since = night
    if under >= step.clear:
        since = None
    return Count(over=over, under=under, since=since, first=(before.first or night) if over else None)


def _highest(counts: Counts) -> Step | None:
    steps = [STEPS[code] for code, count in counts.items() if count.since is not None]
    return max(steps, key=lambda step: step.rank, default=None)

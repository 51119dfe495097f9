"""From findings to steps that stand: compare, count nights, and say what changed. Values in, values out."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Literal, Protocol

Verdict = Literal["at_once", "holds", "between", "gone", "unjudged"]
Weight = Literal["note", "soon", "today"]
Evidence = Mapping[str, object]

NOT_LOOKED_AT, NOT_HEARD = "not looked at", "not heard"
# The 31st night running that could not be judged empties both counts.
FORGOTTEN_AFTER = 31
QUIET_NIGHTS, BACK_NIGHTS = 28, 7
LEAST_WORDS = 3


class Found(Protocol):
    """What is asked of a finding."""

    @property
    def topic(self) -> str:
        """Kind of cause."""
        ...

    @property
    def evidence(self) -> Evidence:
        """Its figures; one that is None or not finite cannot be judged."""
        ...

    @property
    def unjudged(self) -> str | None:
        """Why it could not be judged at all, or None."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Numbers of the rules; conventions of this project. Shares are of the limit that the evidence names."""

    turn_alert_mrad: float = 0.15
    turn_alert_low_mrad: float = 0.10
    turn_alert_gone_mrad: float = 0.12
    low_share: float = 2 / 3
    gone_share: float = 0.8
    rate_mm_per_year: float = 0.05
    rate_gone_mm_per_year: float = 0.03
    rack_mm: float = 0.15
    rack_gone_mm: float = 0.12
    rack_sd_mm: float = 0.075
    silent_h: float = 24.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A step that a cause may stand on. `rank`: its order in the topic; counts are nights judged running."""

    code: str
    topic: str
    rank: int
    weight: Weight
    nights: int
    clear: int
    verdict: Callable[[Evidence, Limits], Verdict]


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """Nights running for and against a step, and nights running that could not be judged."""

    over: int = 0
    under: int = 0
    idle: int = 0
    since: str | None = None
    """The night from which the step stands; None while it does not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One cause after a night. `closed`: the step and night at which a person closed it while it stood."""

    counts: Mapping[str, Count] = field(default_factory=dict)
    frozen: str | None = None
    holds: bool = False
    closed: tuple[str, str] | None = None

    @property
    def standing(self) -> Step | None:
        """The highest step that stands."""
        steps = [STEPS[code] for code, count in self.counts.items() if count.since is not None]
        return max(steps, key=lambda step: step.rank, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertNow:
    """The newest alert of a cause: its step, and when and how it ended, None while it is open."""

    step: str
    frozen: bool = False
    ended: str | None = None
    how: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What happens to an alert: raised, rose, eased, back, frozen, thawed, ended."""

    kind: str
    step: str
    detail: str = ""


def judge(finding: Found, step: Step, limits: Limits) -> Verdict:
    """What a finding says of a step tonight. Of what could not be judged it says nothing either way."""
    return "unjudged" if finding.unjudged else step.verdict(finding.evidence, limits)


def fold(before: Condition, finding: Found | None, *, topic: str, night: str, limits: Limits) -> Condition:
    """A cause's condition after one more night; without a finding it was not looked at."""
    steps = [step for step in STEPS.values() if step.topic == topic]
    verdicts: dict[str, Verdict] = {
        step.code: "unjudged" if finding is None else judge(finding, step, limits) for step in steps
    }
    counts = {
        step.code: _counted(before.counts.get(step.code, Count()), step, verdicts[step.code], night)
        for step in steps
    }
    after = replace(
        before,
        counts=counts,
        frozen=NOT_LOOKED_AT if finding is None else finding.unjudged,
    )
    standing = after.standing
    if standing is None:
        return replace(after, holds=False, closed=None)
    return replace(after, holds=verdicts[standing.code] in ("holds", "at_once"))


def changes(alert: AlertNow | None, now: Condition, *, night: str, was_past: bool = False) -> list[Change]:
    """What tonight makes of a cause's newest alert. `was_past`: earlier nights were looked at anew."""
    standing = now.standing
    if alert is None or alert.ended is not None:
        return [] if standing is None else _raised(alert, now, standing, night)
    if standing is None:
        never_held = was_past and all(count.under < STEPS[code].clear for code, count in now.counts.items())
        return [Change(kind="ended", step=alert.step, detail="contradicted" if never_held else "gone")]
    made = []
    if standing.code != alert.step:
        rose = standing.rank > STEPS[alert.step].rank
        made.append(Change(kind="rose" if rose else "eased", step=standing.code))
    if now.frozen and not alert.frozen:
        made.append(Change(kind="frozen", step=standing.code, detail=now.frozen))
    if alert.frozen and not now.frozen:
        made.append(Change(kind="thawed", step=standing.code))
    return made


def closed_by_person(now: Condition, *, step: str, night: str) -> Condition:
    """Closed by a person: quiet until it worsens, or clears and comes anew, or four weeks are over."""
    return replace(now, closed=(step, night))


def are_words(text: str) -> bool:
    """Whether a text says something: three letters at least."""
    return sum(one.isalpha() for one in text) >= LEAST_WORDS


def _counted(before: Count, step: Step, verdict: Verdict, night: str) -> Count:
    if verdict == "unjudged":
        if before.idle + 1 == FORGOTTEN_AFTER:
            return Count(idle=FORGOTTEN_AFTER, since=before.since)
        return replace(before, idle=before.idle + 1)
    over = {"at_once": step.nights, "holds": before.over + 1}.get(verdict, 0)
    under = before.under + 1 if verdict == "gone" else 0
    since = before.since
    if over >= step.nights and since is None:
        since = night
    if under >= step.clear:
        since = None
    return Count(over=over, under=under, since=since)


def _raised(last: AlertNow | None, now: Condition, standing: Step, night: str) -> list[Change]:
    if now.closed is not None and not _outlives_close(now, standing, night):
        return []
    since = now.counts[standing.code].since or night
    ended = None if last is None or last.how != "gone" or last.ended is None else last.ended
    back = ended is not None and _nights(ended, night) <= BACK_NIGHTS
    kind = "back" if back else "raised"
    made = [
        Change(kind=kind, step=standing.code, detail=f"since {since}" if since < night and not back else "")
    ]
    if now.frozen:
        made.append(Change(kind="frozen", step=standing.code, detail=now.frozen))
    return made


def _outlives_close(now: Condition, standing: Step, night: str) -> bool:
    step, closed = now.closed or (standing.code, night)
    if standing.rank > STEPS[step].rank:
        return True
    return now.holds and _nights(closed, night) >= QUIET_NIGHTS


def _nights(first: str, last: str) -> int:
    return (date.fromisoformat(last) - date.fromisoformat(first)).days


def _number(evidence: Evidence, key: str) -> float | None:
    value = evidence.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Path:
    """One way for a step to hold: `stays` at the limit or over, its low bound too; gone under `gone`."""

    stays: float | None
    low: float | None
    limit: float | None
    least_low: float | None
    gone: float | None

    def verdict(self) -> Verdict:
        if self.stays is None or self.low is None or self.limit is None:
            return "unjudged"
        if self.least_low is None or self.gone is None:
            return "unjudged"
        if self.stays >= self.limit and self.low >= self.least_low:
            return "holds"
        return "gone" if self.stays < self.gone else "between"


def _has(evidence: Evidence, series: str) -> bool:
    """Whether the kit has a series: one that it does not have is left out of the evidence altogether."""
    return any(key.startswith(f"{series}_") for key in evidence)


def _share(limit: float | None, share: float) -> float | None:
    return None if limit is None else limit * share


def _of_limit(evidence: Evidence, series: str, unit: str, limit_key: str, limits: Limits) -> Verdict:
    limit = _number(evidence, limit_key)
    return _Path(
        stays=_number(evidence, f"{series}_stays_{unit}"),
        low=_number(evidence, f"{series}_low_{unit}"),
        limit=limit,
        least_low=_share(limit, limits.low_share),
        gone=_share(limit, limits.gone_share),
    ).verdict()


def _any_of(paths: list[Verdict]) -> Verdict:
    """One that holds is enough; it is gone only where every path is."""
    if "holds" in paths:
        return "holds"
    if not paths or "unjudged" in paths:
        return "unjudged"
    return "gone" if all(path == "gone" for path in paths) else "between"


def _with_alarm(evidence: Evidence, paths: list[Verdict]) -> Verdict:
    """The trend's alarm has its own proof; where it is asked and not known, the rule is not judged."""
    if "alarm" not in evidence:
        return _any_of(paths)
    if evidence["alarm"] is True:
        return "at_once"
    return _any_of([*paths, "gone"]) if evidence["alarm"] is False else "unjudged"


def _joint_opening(evidence: Evidence, limits: Limits) -> Verdict:
    turn = _Path(
        stays=_number(evidence, "turn_stays_mrad"),
        low=_number(evidence, "turn_low_mrad"),
        limit=limits.turn_alert_mrad,
        least_low=limits.turn_alert_low_mrad,
        gone=limits.turn_alert_gone_mrad,
    )
    return _with_alarm(evidence, [turn.verdict()] if _has(evidence, "turn") else [])


def _joint_open(evidence: Evidence, limits: Limits) -> Verdict:
    series = (("turn", "mrad"), ("opening", "mm"))
    return _any_of(
        [
            _of_limit(evidence, name, unit, f"{name}_open_{unit}", limits)
            for name, unit in series
            if _has(evidence, name)
        ]
    )


def _leaf_set(evidence: Evidence, limits: Limits) -> Verdict:
    rate, low = _number(evidence, "rate_mm_per_year"), _number(evidence, "rate_low_mm_per_year")
    if rate is None or low is None:
        return "unjudged"
    if rate >= limits.rate_mm_per_year and low > 0:
        return "holds"
    return "gone" if low <= 0 or rate < limits.rate_gone_mm_per_year else "between"


def _leaf_over(evidence: Evidence, limits: Limits) -> Verdict:
    paths = []
    if _has(evidence, "rack"):
        paths.append(_rack(evidence, limits))
    if _has(evidence, "droop"):
        paths.append(_of_limit(evidence, "droop", "mm", "droop_limit_mm", limits))
    return _with_alarm(evidence, paths)


def _rack(evidence: Evidence, limits: Limits) -> Verdict:
    stays, sd = _number(evidence, "rack_stays_mm"), _number(evidence, "rack_sd_mm")
    if stays is None or sd is None or sd > limits.rack_sd_mm:
        return "unjudged"
    if stays >= (_number(evidence, "rack_limit_mm") or limits.rack_mm):
        return "holds"
    return "gone" if stays < limits.rack_gone_mm else "between"


def _node_silent(evidence: Evidence, limits: Limits) -> Verdict:
    overdue, silent_h = evidence.get("overdue"), _number(evidence, "silent_h")
    if overdue is False:
        return "gone"
    if overdue is not True or silent_h is None:
        return "unjudged"
    return "holds" if silent_h >= limits.silent_h else "between"


STEPS: Mapping[str, Step] = {
    step.code: step
    for step in (
        Step(
            code="joint_opening",
            topic="joint",
            rank=2,
            weight="soon",
            nights=7,
            clear=30,
            verdict=_joint_opening,
        ),
        Step(
            code="joint_open", topic="joint", rank=3, weight="today", nights=7, clear=30, verdict=_joint_open
        ),
        Step(code="leaf_set", topic="leaf", rank=1, weight="soon", nights=14, clear=60, verdict=_leaf_set),
        Step(code="leaf_over", topic="leaf", rank=2, weight="soon", nights=7, clear=30, verdict=_leaf_over),
        Step(
            code="node_silent", topic="heard", rank=1, weight="soon", nights=1, clear=1, verdict=_node_silent
        ),
    )
}

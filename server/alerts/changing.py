"""What a night makes of a cause's alert, and what a person may do about one. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from server.alerts.folding import Condition, nights_between
from server.alerts.steps import STEPS, Step

QUIET_NIGHTS, BACK_NIGHTS = 28, 7
LEAST_WORDS = 3
LEFT_NIGHTS, LEFT_TODAY_NIGHTS = 365, 30
CLOSED_FOR_GOOD = ("told", "lapsed")


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertNow:
    """The newest alert of a cause: its step, and when and how it ended, None while it is open."""

    step: str
    frozen: bool = False
    ended: str | None = None
    how: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What happens to an alert: raised, rose, eased, back, frozen, thawed, carries, seen, left, ended."""

    kind: str
    step: str
    detail: str = ""


def changes(
    alert: AlertNow | None, now: Condition, *, night: str, stood: bool = True, marked: bool = False
) -> list[Change]:
    """What tonight makes of a cause's newest alert.

    `stood`: whether its condition stood on any night since it was raised, as now known. `marked`: a mark has
    counted the cause anew since then.
    """
    standing = now.standing
    if alert is not None and alert.ended is None and marked:
        ended = Change(kind="ended", step=alert.step, detail="mark")
        alert = replace(alert, frozen=False, ended=night, how="mark")
        return [ended, *changes(alert, now, night=night)]
    if alert is None or alert.ended is not None:
        return [] if standing is None else _raised(alert, now, standing, night)
    if standing is None:
        how = now.done or ("gone" if stood else "contradicted")
        return [Change(kind="ended", step=alert.step, detail=how)]
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


def worsened(now: Condition, hidden_since: Sequence[str]) -> Condition:
    """A gauge's condition that a person closed: what it hides since then is a worse thing, so it is told."""
    if now.closed is None or not any(since > now.closed[1] for since in hidden_since):
        return now
    return replace(now, closed=None)


def are_words(text: str) -> bool:
    """Whether a text says something: three letters at least."""
    return sum(one.isalpha() for one in text) >= LEAST_WORDS


def most_left(weight: str) -> int:
    """For how many nights an alert may be left alone at most."""
    return LEFT_TODAY_NIGHTS if weight == "today" else LEFT_NIGHTS


def _raised(last: AlertNow | None, now: Condition, standing: Step, night: str) -> list[Change]:
    if last is not None and last.how in CLOSED_FOR_GOOD:
        return []
    if now.closed is not None and not _outlives_close(now, standing, night):
        return []
    since = now.counts[standing.code].since or night
    ended = None if last is None or last.how != "gone" else last.ended
    back = ended is not None and nights_between(ended, night) <= BACK_NIGHTS
    detail = f"since {since}" if since < night and not back else ""
    made = [Change(kind="back" if back else "raised", step=standing.code, detail=detail)]
    if now.frozen:
        made.append(Change(kind="frozen", step=standing.code, detail=now.frozen))
    return made


def _outlives_close(now: Condition, standing: Step, night: str) -> bool:
    step, closed = now.closed or (standing.code, night)
    if standing.rank > STEPS[step].rank:
        return True
    return now.holds and nights_between(closed, night) >= QUIET_NIGHTS

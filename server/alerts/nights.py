"""One night of many causes: who holds back whom, what is folded, what a doubt carries. Pure."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from server.alerts.folding import Condition, Held, fold
from server.alerts.steps import NEWS, STEPS
from server.alerts.verdicts import Found, Limits, Noted

Key = tuple[str, str]
GAUGE, HEARD, SITE = "gauge", "heard", "site"


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What the night is folded with: boxes not heard, channels in doubt elsewhere, causes to count anew."""

    silent: frozenset[str] = frozenset()
    doubted: frozenset[str] = frozenset()
    anew: frozenset[Key] = frozenset()
    limits: Limits = Limits()  # noqa: RUF009 -- frozen, holds numbers alone


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """What a gauge in doubt hides: a step and its cause."""

    channel: str
    step: str
    topic: str
    about: str

    @property
    def detail(self) -> str:
        """As the event says it."""
        return f"{self.step} {self.topic}:{self.about}"


def fold_night(
    before: Mapping[Key, Condition], findings: Iterable[Found], *, night: str, around: Around
) -> dict[Key, Condition]:
    """Every cause's condition after a night: those known and those found.

    Gauges come first: one in doubt holds back what rests on it on the same night. A known cause that is at
    rest and not found stays as it is and is left out of the answer.
    """
    found = {(one.topic, one.about): one for one in findings}
    keys = sorted(set(before) | set(found))
    gauges = _folded([key for key in keys if key[0] == GAUGE], before, found, night=night, around=around)
    around = replace(around, doubted=around.doubted | doubted_of({**before, **gauges}))
    others = [key for key in keys if key[0] != GAUGE]
    return gauges | _folded(others, before, found, night=night, around=around)


def silent_of(conditions: Mapping[Key, Condition]) -> frozenset[str]:
    """The boxes that are not heard."""
    stands = STEPS["node_silent"]
    return frozenset(
        about for (topic, about), one in conditions.items() if topic == HEARD and one.standing == stands
    )


def doubted_of(conditions: Mapping[Key, Condition]) -> frozenset[str]:
    """The channels in doubt."""
    return frozenset(
        about for (topic, about), one in conditions.items() if topic == GAUGE and one.is_in_doubt
    )


def site_finding(site: str, heard: Mapping[Key, Condition], *, boxes: int) -> Noted:
    """How many boxes of all are silent tonight."""
    return Noted(topic=SITE, about=site, evidence={"silent": len(silent_of(heard)), "boxes": boxes})


def carried(
    conditions: Mapping[Key, Condition], findings: Iterable[Found], doubted: frozenset[str]
) -> Iterator[Carried]:
    """What the gauges in doubt hide tonight, each with the first of its gauges that is in doubt."""
    for one in sorted(findings, key=lambda one: (one.topic, one.about)):
        after = conditions.get((one.topic, one.about))
        hiding = None if after is None else after.is_hiding
        channel = next((name for name in one.rests_on if name in doubted), None)
        if hiding is not None and channel is not None:
            yield Carried(channel=channel, step=hiding.code, topic=one.topic, about=one.about)


def _folded(
    keys: Iterable[Key],
    before: Mapping[Key, Condition],
    found: Mapping[Key, Found],
    *,
    night: str,
    around: Around,
) -> dict[Key, Condition]:
    after: dict[Key, Condition] = {}
    for key in keys:
        is_anew, one = key in around.anew, found.get(key)
        was = Condition() if is_anew else before.get(key, Condition())
        if one is None and was.is_at_rest and not is_anew:
            continue
        held = _held(key, one, around.silent, around.doubted)
        after[key] = fold(was, one, cause=key, night=night, limits=around.limits, held=held)
    return after


def _held(key: Key, one: Found | None, silent: frozenset[str], doubted: frozenset[str]) -> Held:
    topic, about = key
    if one is None or topic == NEWS:
        return Held()
    channels = {*one.rests_on, *((about,) if topic == GAUGE else ())}
    boxes = {name.partition("/")[0] for name in channels}
    is_doubted = topic != GAUGE and not doubted.isdisjoint(one.rests_on)
    return Held(is_silent=not boxes.isdisjoint(silent), is_doubted=is_doubted)

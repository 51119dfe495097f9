"""What a look has at hand, with figures put in by hand, and what the rules say of a finding."""

from collections.abc import Iterable
from dataclasses import replace

from server.alerts.rules import Limits, judge, steps_of
from server.doors.marks import Mark
from server.doors.register import DoorHung
from server.inspection.line import drawn_line
from server.inspection.moisture import moisture_of
from server.inspection.seen import Seen
from server.inspection.series import made_series, trended_gauges
from server.inspection.values import DoorInputs, Finding, SeriesLook, Tonight
from tests.inspection.doors import HUNG_DAY, Truth, hung, made_inputs

LIMITS = Limits()
DAY_MS = 86_400_000
FIRST_YEAR = "season and what stays are parted after a year"
SHORT = Truth(years=0.25)


def seen_of(truth: Truth = SHORT, door: DoorHung | None = None, *, tonight: Tonight | None = None) -> Seen:
    """A door with real days, line, moisture and series; every series is refused until `served` says more."""
    return seen_in(made_inputs(truth, door or hung()), tonight=tonight)


def seen_in(inputs: DoorInputs, *, tonight: Tonight | None = None) -> Seen:
    """The same of these days."""
    inputs = inputs if tonight is None else replace(inputs, tonight=tonight)
    line = drawn_line(inputs, trended_gauges(inputs.door.built))
    moisture = moisture_of(inputs, line)
    made = made_series(inputs, line, moisture)
    last = inputs.hung_day + inputs.last_ended
    looks = {
        one.key: SeriesLook(
            key=one.key,
            unit=one.unit,
            status="refused",
            reason=FIRST_YEAR,
            rate=None,
            low=None,
            high=None,
            facts={"last_day": last, "limit": one.facts.limit, "sd_day": one.sd_day},
            parts=None,
        )
        for one in made
    }
    return Seen(inputs=inputs, line=line, moisture=moisture, made=made, looks=looks)


def served(seen: Seen, key: str, rates: tuple[float, float, float] | None = None, **facts: object) -> Seen:
    """The same with these facts of one series; `rates`: low bound, rate, high bound."""
    one = seen.looks[key]
    low, rate, high = rates or (None, None, None)
    told = replace(one, reason=None, rate=rate, low=low, high=high, facts={**one.facts, **facts})
    return replace(seen, looks={**seen.looks, key: told})


def stays(value: float, low: float, **more: object) -> dict[str, object]:
    """What stays with its bounds, as facts."""
    return {"stays": value, "stays_low": low, "stays_high": 2 * value - low, **more}


def marked(seen: Seen, kind: str, days_ago: int = 0, text: str = "") -> Seen:
    """The same with a mark so many days before the last ended day."""
    day = HUNG_DAY + seen.inputs.last_ended - days_ago
    mark = Mark(t_ms=day * DAY_MS + DAY_MS // 2, kind=kind, text=text, by="maker")
    return replace(seen, inputs=replace(seen.inputs, marks=(*seen.inputs.marks, mark)))


def told(seen: Seen, **tonight: object) -> Seen:
    """The same with these of the night."""
    changed = replace(seen.inputs.tonight, **tonight)  # type: ignore[arg-type]  # each by its own name
    return replace(seen, inputs=replace(seen.inputs, tonight=changed))


def verdicts(finding: Finding) -> dict[str, str]:
    """What the rules say of a finding, step by step."""
    return {step.code: judge(finding, step, LIMITS) for step in steps_of(finding.topic, finding.about)}


def about(findings: Iterable[Finding], name: str) -> Finding:
    """The one finding of that name."""
    (one,) = (one for one in findings if one.about == name)
    return one

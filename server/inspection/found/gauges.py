"""What is found of each gauge: off its feeler, still, wet, its converter shifted, in doubt, silent."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from server.doors.built import Gauge
from server.doors.carpentry import shape_of, stations_of
from server.doors.checks import FELT_KINDS
from server.inspection.found import feelers, told
from server.inspection.found.frame import change_mm, growth_tonight
from server.inspection.heard import status_of
from server.inspection.seen import Seen
from server.inspection.values import Finding
from server.joinery.leaf import POSITION_KINDS
from server.joinery.suspects import LEAST_REDUNDANCY, suspicion

FloatArray = NDArray[np.float64]
# Not gauges of the door: what they fail at is told by others, or by nobody.
UNWATCHED = ("shut", "battery")
MOVING = (*POSITION_KINDS, "shoulder", "droop")
SWING_DAYS, SWING_ENOUGH, YEAR_DAYS = 30, 20, 365
SWING = (0.05, 0.95)
RESET = ("gauge-moved", "rehung", "planed", "repaired", "eased")
NO_REDUNDANCY = "the kit has no gauge to spare, so none can be told to be off"
NOT_READ_TODAY = "it had no reading on the last day, or no line to count from"
NO_YEAR = "too few days of now or of a year ago to compare"
IS_OPEN = "the door stood open all day"
NOTHING_CAME = "nothing of its box was stored for that day"


def gauges(seen: Seen, *, held_back: str | None = None) -> list[Finding]:
    """Each gauge that watches the door. `held_back`: why nothing is judged tonight."""
    built = seen.inputs.door.built
    doubts, no_doubt = _doubts(seen)
    swung = None if seen.moisture is None else swing_of(seen.moisture.pct[_month(seen)])
    made = []
    for gauge in built.gauges:
        if gauge.kind in UNWATCHED or gauge.channel not in seen.inputs.door.channels:
            continue
        evidence, why = _evidence(seen, gauge, swung)
        if gauge.kind in POSITION_KINDS:
            evidence |= doubts.get(gauge.channel, {})
            why |= {} if gauge.channel in doubts else {"gauge_doubt": no_doubt}
        name = f"{built.node}/{gauge.channel}"
        judged = any(value is not None for key, value in evidence.items() if key != "problem")
        made.append(
            Finding(
                topic="gauge",
                about=name,
                evidence=evidence | ({"not_judged": why} if why else {}),
                rests_on=(name,),
                unjudged=held_back or (None if judged else _first(why)),
            )
        )
    return made


def _first(why: Mapping[str, str]) -> str:
    return why.get("gauge_out") or next(iter(why.values()), NOTHING_CAME)


def _evidence(seen: Seen, gauge: Gauge, swung: float | None) -> tuple[dict[str, object], dict[str, str]]:
    """The figures of a gauge, and of each step that cannot be judged its reason."""
    tonight = seen.inputs.tonight
    evidence, why = _good(seen, gauge)
    if gauge.kind == "air_rh":
        evidence["day_low_rh_pct"] = tonight.low_rh_pct.get(gauge.channel)
    if gauge.kind == "ref":
        evidence["ref_shift"] = tonight.ref_shift
    if gauge.kind in MOVING:
        evidence |= _swing(seen, gauge.channel) | {"moisture_change_pct": swung}
        if evidence.get("swing_mm") is None or evidence.get("swing_then_mm") is None:
            why["gauge_still"] = NO_YEAR
    if gauge.kind in FELT_KINDS:
        felt, not_felt = feelers.gauge_off(seen, gauge.channel)
        evidence |= felt
        why |= {} if not_felt is None else {"gauge_off": not_felt}
    return evidence, why


def _good(seen: Seen, gauge: Gauge) -> tuple[dict[str, object], dict[str, str]]:
    tonight = seen.inputs.tonight
    if tonight.good is None:
        return {}, {"gauge_out": NOTHING_CAME}
    if tonight.is_open and gauge.kind in MOVING:
        return {}, {"gauge_out": IS_OPEN}
    evidence: dict[str, object] = {"good_readings": tonight.good.get(gauge.channel, 0)}
    problem = _problem(seen, gauge.channel)
    return evidence | ({} if problem is None else {"problem": problem}), {}


def _problem(seen: Seen, channel: str) -> str | None:
    """The code with which its box said that this channel fails."""
    errors = status_of(seen.inputs.door).get("err")
    for one in errors if isinstance(errors, list) else []:
        if isinstance(one, list) and len(one) == 3 and one[:2] == ["chan", channel]:
            return str(one[2])[:40]
    return None


def _swing(seen: Seen, channel: str) -> dict[str, object]:
    """How far it moved in 30 days, and in the same days a year before."""
    inputs, days = seen.inputs, seen.inputs.gauges.get(channel)
    if days is None:
        return {}
    now, then = _month(seen), _month(seen, back=YEAR_DAYS)
    reset = {one.t_ms // told.DAY_MS - inputs.hung_day for one in inputs.marks if one.kind in RESET}
    spoiled = [bool(np.isin(inputs.day[chosen], list(reset)).any()) for chosen in (now, then)]
    return {
        "swing_mm": None if spoiled[0] else swing_of(days.median[now]),
        "swing_then_mm": None if spoiled[1] else swing_of(days.median[then]),
    }


def _month(seen: Seen, *, back: int = 0) -> NDArray[np.bool_]:
    return told.last_days(seen.inputs, SWING_DAYS, back=back)


def swing_of(value: FloatArray) -> float | None:
    """95th less 5th percentile of days; None with fewer than 20 of 30."""
    kept = value[np.isfinite(value)]
    if kept.size < SWING_ENOUGH:
        return None
    # as np.percentile has it, for a tenth of its cost: it is asked of every gauge every night
    low, high = np.interp(np.array(SWING) * (kept.size - 1), np.arange(kept.size), np.sort(kept))
    return float(high - low)


def _doubts(seen: Seen) -> tuple[dict[str, dict[str, object]], str]:
    """Of each gauge of the leaf whether it fits the others on the last ended day; and why one is missing."""
    inputs, line = seen.inputs, seen.line
    if line is None or line.now.kind != "hung":
        return {}, told.NO_LINE
    stations = stations_of(inputs.door.built)
    change = {name: mm for name in stations if np.isfinite(mm := change_mm(seen, name))}
    if len(change) < 2:
        return {}, NOT_READ_TODAY if len(stations) > 1 else NO_REDUNDANCY
    shape, kind = shape_of(inputs.door.built), inputs.door.built.opening.kind
    found = suspicion(shape, stations, change, opening=kind, growth=growth_tonight(seen))
    if max(found.redundancy.values()) < LEAST_REDUNDANCY:
        return {}, NO_REDUNDANCY
    most = max(abs(one) for one in found.off_sd.values())
    return {name: {"suspect": name in found.suspects, "max_w": most} for name in change}, NOT_READ_TODAY

"""What findings share: which channels a figure rests on, how fresh it is, medians of days, days as text."""

from collections.abc import Iterable
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from server.doors.built import BuiltDoor
from server.doors.changes import GAUGE_MOVED
from server.inspection.seen import Seen
from server.inspection.series import DaySeries
from server.inspection.spans import spans_of
from server.inspection.values import DoorInputs, SeriesLook

FloatArray = NDArray[np.float64]
DAY_MS = 86_400_000
RECENT_DAYS = 7
ENOUGH_DAYS = 4
POTENTIOMETER = "/"
NOT_HEARD_LATELY = f"no reading of it in the last {RECENT_DAYS} days"
NO_LINE = "its hung line is not drawn yet"


def with_ref(built: BuiltDoor, channels: Iterable[str]) -> tuple[str, ...]:
    """Channels as `box/channel`, and the box's reference where one of them is a potentiometer."""
    chosen = set(channels)
    named = [gauge for gauge in built.gauges if gauge.channel in chosen]
    refs = [gauge.channel for gauge in built.gauges if gauge.kind == "ref"]
    if not any(gauge.unit == POTENTIOMETER and gauge.kind != "ref" for gauge in named):
        refs = []
    names = dict.fromkeys([gauge.channel for gauge in named] + refs)
    return tuple(f"{built.node}/{name}" for name in names)


def rests_on(seen: Seen, keys: Iterable[str]) -> tuple[str, ...]:
    """The channels that these series were made with tonight: not a gauge without a line or late reading."""
    built = seen.inputs.door.built
    made = {one.key: one for one in seen.made}
    channels = {
        name.partition("/")[2] for key in keys for name in (made[key].rests_on if key in made else ())
    }
    return with_ref(built, [name for name in channels if is_read(seen, name)])


def is_read(seen: Seen, channel: str) -> bool:
    """Whether a gauge has its line and a reading in the last days."""
    days = seen.inputs.gauges.get(channel)
    if days is None or zero_mm(seen, channel) is None:
        return False
    return bool(np.isfinite(days.median[last_days(seen.inputs, RECENT_DAYS)]).any())


def zero_mm(seen: Seen, channel: str) -> float | None:
    """A gauge's reading on the line of the door as it stands now; None where it has none.

    A version for which another gauge was set anew goes on with the zero of the one before.
    """
    if seen.line is None:
        return None
    lines, spans = seen.line.each or (seen.line,), spans_of(seen.inputs)
    for line, span in zip(reversed(lines), reversed(spans), strict=False):
        found = line.zero_mm.get(channel)
        goes_on = span.version.because == GAUGE_MOVED and channel not in span.version.moved
        if not goes_on or line is lines[0]:
            return found
    return None


def is_fresh(seen: Seen, one: SeriesLook) -> bool:
    """Whether a series has a day of the last days: what is not measured any more says nothing tonight."""
    last = one.number("last_day")
    return last is not None and last - seen.inputs.hung_day > seen.inputs.last_ended - RECENT_DAYS


def last_days(inputs: DoorInputs, count: int, *, back: int = 0) -> NDArray[np.bool_]:
    """Which of the days are the last `count` ended ones, or those that ended `back` days earlier."""
    stop = inputs.last_ended + 1 - back
    return np.asarray((inputs.day >= stop - count) & (inputs.day < stop))


def median_of(value: FloatArray, chosen: NDArray[np.bool_], *, least: int = ENOUGH_DAYS) -> float | None:
    """The median of the chosen days; None with fewer than `least` of them."""
    kept = value[chosen]
    kept = kept[np.isfinite(kept)]
    return float(np.median(kept)) if kept.size >= least else None


def last_value(inputs: DoorInputs, value: FloatArray) -> float:
    """The value of the last ended day; NaN where there is none."""
    found = value[last_days(inputs, 1)]
    return float(found[0]) if found.size else float("nan")


def series_of(seen: Seen, key: str) -> DaySeries | None:
    """A series of the look by its key."""
    return next((one for one in seen.made if one.key == key), None)


def day_text(day: float) -> str:
    """A day since 1970 as ISO text."""
    return datetime.fromtimestamp(day * 86_400, UTC).date().isoformat()


def day_number(text: str) -> int | None:
    """The day since 1970 of an ISO date; None where it is none."""
    try:
        return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) // 86_400
    except ValueError:
        return None


def alarm_of(looks: Iterable[SeriesLook | None]) -> bool | None:
    """Whether the trend's alarm stands on any of these series; None where one is not known."""
    known = [one.facts.get("alarm") for one in looks if one is not None]
    if any(alarm is True for alarm in known):
        return True
    return False if known and all(alarm is False for alarm in known) else None


def forecast_of(one: SeriesLook | None, *, with_latest: bool) -> dict[str, object]:
    """When its limit could be reached, as text; empty without a forecast."""
    found = None if one is None else one.facts.get("forecast")
    if not isinstance(found, dict):
        return {}
    ends = {key: found.get(key) for key in (("earliest", "latest") if with_latest else ("earliest",))}
    return {key: day_text(day) for key, day in ends.items() if isinstance(day, int | float)}

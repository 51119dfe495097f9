"""Whether a gauge and a feeler agree on how far a gap went between two checks; what a check settles."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from server.doors.changes import GAUGE_MOVED
from server.doors.checks import FeelerCheck, felt_gauges
from server.doors.marks import Mark
from server.inspection.found import told
from server.inspection.seen import Seen

# One displacement gauge, readings within a day. Source: sensors, section 8.4.
GAUGE_SD_MM = 0.0035
# So many times the doubt of both is chance. Source: sensors, section 9.5.
TIMES_SD = 2.0
# A check is judged in so many nights from its day, or from the one on which it was entered. A convention.
FRESH_DAYS = 7
SET_ANEW = (GAUGE_MOVED, "gauge changed")
NO_FEELER = "no feeler check of it is kept since it was set up"
FIRST_CHECK = "its first feeler check: the next one is compared with it"
NOT_SURE = "its three values differ by more than 0.05 mm: feel again at one mark"
NOT_READ = "the gauge has no reading with the door shut of the day of its feeler check"
NOTHING_NEW = f"no feeler check of it in the last {FRESH_DAYS} days"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Felt:
    """A check beside what the gauge said of that day, mm; NaN where it said nothing."""

    check: FeelerCheck
    gauge_mm: float

    @property
    def day(self) -> int:
        return self.check.t_ms // told.DAY_MS

    @property
    def why_not(self) -> str | None:
        if not self.check.is_sure:
            return NOT_SURE
        return NOT_READ if math.isnan(self.gauge_mm) else None


def gauge_off(seen: Seen, channel: str) -> tuple[dict[str, object], str | None]:
    """The newest check of a gauge against the one before, or why nothing is judged tonight.

    It is compared with the last check that agreed: one that did not is no ground to compare with, so a second
    look decides between the two. A gauge that was set anew begins again.
    """
    anew = _set_anew(seen, channel)
    felt = [_felt(seen, one) for one in seen.inputs.tonight.feelers if one.gauge == channel]
    # of the very day the gauge's median is of both ways in which it was set
    felt = [one for one in felt if one.day > anew]
    if not felt:
        return {}, NO_FEELER
    if not _is_fresh(felt[-1].check, tonight=seen.inputs.hung_day + seen.inputs.last_ended):
        return {}, NOTHING_NEW
    if felt[-1].why_not is not None:
        return {}, felt[-1].why_not
    before = _agreed_before(felt)
    return ({}, FIRST_CHECK) if before is None else (_compared(before, felt[-1]), None)


def checked_days(seen: Seen, channel: str) -> list[int]:
    """The days since 1970 on which a feeler check of a gauge was made that can be used."""
    return [
        one.t_ms // told.DAY_MS for one in seen.inputs.tonight.feelers if one.gauge == channel and one.is_sure
    ]


def is_felt_since(seen: Seen, channels: Iterable[str], t_ms: float) -> bool:
    """Whether each of these gauges that a feeler reaches was checked after a moment; any, where none is."""
    reached = set(felt_gauges(seen.inputs.door.built))
    felt = {one.gauge for one in seen.inputs.tonight.feelers if one.t_ms > t_ms and one.is_sure}
    asked = set(channels) & reached
    return asked <= felt if asked else bool(felt)


def bound_mm(before: FeelerCheck, now: FeelerCheck) -> float:
    """How far gauge and feeler may differ by chance.

    2 sqrt(u_g^2 + 2 u_f^2), the two feelers each with their own doubt. Source: sensors, section 9.5.
    """
    return TIMES_SD * math.sqrt(GAUGE_SD_MM**2 + before.sd_mm**2 + now.sd_mm**2)


def _felt(seen: Seen, check: FeelerCheck) -> _Felt:
    inputs, days = seen.inputs, seen.inputs.gauges.get(check.gauge)
    if days is None or not inputs.day.size:
        return _Felt(check=check, gauge_mm=math.nan)
    place = check.t_ms // told.DAY_MS - inputs.hung_day - int(inputs.day[0])
    is_there = 0 <= place < days.median.size
    return _Felt(check=check, gauge_mm=float(days.median[place]) if is_there else math.nan)


def _is_fresh(check: FeelerCheck, *, tonight: int) -> bool:
    felt, entered = check.t_ms // told.DAY_MS, check.added_ms // told.DAY_MS
    known = entered if felt <= entered <= tonight else felt
    return 0 <= tonight - known < FRESH_DAYS


def _agreed_before(felt: Sequence[_Felt]) -> _Felt | None:
    """The last check before the newest that agreed with the one before it, or was the first."""
    kept = None
    for one in felt[:-1]:
        if one.why_not is None and (kept is None or _agree(kept, one)):
            kept = one
    return kept


def _agree(before: _Felt, now: _Felt) -> bool:
    by_gauge, by_feeler = _moved_mm(before, now)
    return abs(by_gauge - by_feeler) <= bound_mm(before.check, now.check)


def _moved_mm(before: _Felt, now: _Felt) -> tuple[float, float]:
    """How far the gap went by the gauge and by the feeler."""
    return now.gauge_mm - before.gauge_mm, now.check.gap_mm - before.check.gap_mm


def _set_anew(seen: Seen, channel: str) -> int:
    """The day since 1970 on which a gauge was set anew last; a mark that names no gauge may be of any."""
    named = [gauge.channel for gauge in seen.inputs.door.built.gauges]

    def is_of(mark: Mark) -> bool:
        return channel in mark.text or not any(name in mark.text for name in named)

    days = [mark.t_ms // told.DAY_MS for mark in seen.inputs.marks if mark.kind in SET_ANEW and is_of(mark)]
    return max(days, default=-1)


def _compared(before: _Felt, now: _Felt) -> dict[str, object]:
    by_gauge, by_feeler = _moved_mm(before, now)
    return {
        "feeler_gap_mm": by_gauge - by_feeler,
        "feeler_bound_mm": bound_mm(before.check, now.check),
        "gauge_moved_mm": by_gauge,
        "feeler_moved_mm": by_feeler,
        "feeler_since": told.day_text(before.day),
        "feeler_on": told.day_text(now.day),
    }

"""What a rule may say of evidence, the numbers it compares with, and how evidence is read. Pure."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

Verdict = Literal["at_once", "holds", "between", "gone", "gone_at_once", "unjudged"]
Evidence = Mapping[str, object]


class Found(Protocol):
    """What is asked of a finding."""

    @property
    def topic(self) -> str:
        """Kind of cause."""
        ...

    @property
    def about(self) -> str:
        """Which one: a joint, a gauge, a box."""
        ...

    @property
    def evidence(self) -> Evidence:
        """Its figures; one that is None or not finite cannot be judged."""
        ...

    @property
    def rests_on(self) -> tuple[str, ...]:
        """The channels its figures were made with, as `box/channel`."""
        ...

    @property
    def unjudged(self) -> str | None:
        """Why it could not be judged at all, or None."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """A finding that the rules make of others."""

    topic: str
    about: str
    evidence: Evidence
    rests_on: tuple[str, ...] = ()
    unjudged: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Numbers of the rules; conventions of this project. Shares are of the limit that the evidence names.

    A name with `gone` is where a step is over again; between it and the limit nothing is counted.
    """

    watch_stays_mrad: float = 0.10
    watch_stays_gone_mrad: float = 0.07
    watch_rise_mrad: float = 0.10
    watch_rise_gone_mrad: float = 0.05
    watch_moisture_pct: float = 1.0
    watch_seen_mrad: float = 0.30
    watch_seen_gone_mrad: float = 0.24
    turn_alert_mrad: float = 0.15
    turn_alert_low_mrad: float = 0.10
    turn_alert_gone_mrad: float = 0.12
    low_share: float = 2 / 3
    gone_share: float = 0.8
    rate_mm_per_year: float = 0.05
    rate_gone_mm_per_year: float = 0.03
    rack_mm: float = 0.15
    rack_sd_mm: float = 0.075
    forecast_mm: float = 0.5
    forecast_gone_mm: float = 0.7
    near_mm: float = 1.0
    near_gone_mm: float = 1.3
    close_mm: float = 0.5
    close_gone_mm: float = 0.8
    rubs_mm: float = 0.0
    rubs_gone_mm: float = 0.3
    slam_channels: float = 2
    slam_lasts_h: float = 24.0
    still_share: float = 0.2
    still_gone_share: float = 0.5
    still_swing_mm: float = 0.05
    still_moisture_pct: float = 0.5
    wet_rh_pct: float = 99.5
    wet_gone_rh_pct: float = 97.0
    ref_shift: float = 0.0005
    ref_gone_shift: float = 0.0004
    doubt_gone_w: float = 2.5
    out_readings: float = 0
    out_gone_readings: float = 12
    check_days: float = 365
    silent_h: float = 24.0
    site_boxes: float = 3
    site_share: float = 0.5
    battery_gone_v: float = 0.15
    held_days: float = 1.0
    expiring_days: float = 60.0
    certificate_days: float = 365
    certificate_short_days: float = 60
    disk_low_mib: float = 2048
    disk_low_gone_mib: float = 3072
    disk_full_mib: float = 200
    disk_full_gone_mib: float = 400
    backup_days: float = 3.0
    intake_min: float = 10.0
    channel_h: float = 24.0
    test_watch_sd: float = 1.0
    test_softer_sd: float = 2.0


def number(evidence: Evidence, key: str) -> float | None:
    """A finite number of the evidence; None for anything else: what is missing is never small."""
    value = evidence.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def flag(evidence: Evidence, key: str) -> Verdict:
    """Holds while a yes-or-no of the evidence is yes, gone while it is no."""
    value = evidence.get(key)
    if not isinstance(value, bool):
        return "unjudged"
    return "holds" if value else "gone"


def below(value: float | None, limit: float, gone: float) -> Verdict:
    """Holds under a limit, gone from `gone` on."""
    if value is None:
        return "unjudged"
    if value < limit:
        return "holds"
    return "gone" if value >= gone else "between"


def reaches(value: float | None, limit: float) -> Verdict:
    """Holds from a limit on, gone under it: no dead band."""
    if value is None:
        return "unjudged"
    return "holds" if value >= limit else "gone"


def any_of(paths: Iterable[Verdict]) -> Verdict:
    """One that holds is enough; it is gone only where every path is."""
    said = set(paths)
    if "holds" in said:
        return "holds"
    if not said or "unjudged" in said:
        return "unjudged"
    return "gone" if said == {"gone"} else "between"


def any_judged(paths: Iterable[Verdict]) -> Verdict:
    """The same of the paths that can be judged; unjudged where none can."""
    return any_of(path for path in paths if path != "unjudged")

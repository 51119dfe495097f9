"""What evidence says of a door tonight: its joints, leaf and frame, steps, slams, tests and checks. Pure."""

from dataclasses import dataclass

from server.alerts.verdicts import (
    Evidence,
    Limits,
    Verdict,
    any_judged,
    any_of,
    below,
    number,
    reaches,
)


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


def joint_watch(evidence: Evidence, limits: Limits) -> Verdict:
    """By what stays; by a fast rise in steady air; by what is seen while nothing is served."""
    stays = _Path(
        stays=number(evidence, "turn_stays_mrad"),
        low=number(evidence, "turn_low_mrad"),
        limit=limits.watch_stays_mrad,
        least_low=limits.watch_stays_mrad * limits.low_share,
        gone=limits.watch_stays_gone_mrad,
    )
    paths = [stays.verdict(), _rise(evidence, limits)]
    if stays.stays is None:
        seen = number(evidence, "turn_seen_mrad")
        paths.append(_at_least(seen, limits.watch_seen_mrad, limits.watch_seen_gone_mrad))
    return any_judged(paths)


def joint_opening(evidence: Evidence, limits: Limits) -> Verdict:
    """By the trend's alarm, or by the turn that stays; without a pair the alarm alone decides.

    An alarm that the night's own interval of the rate does not bear out neither raises it nor ends it.
    """
    turn = _Path(
        stays=number(evidence, "turn_stays_mrad"),
        low=number(evidence, "turn_low_mrad"),
        limit=limits.turn_alert_mrad,
        least_low=limits.turn_alert_low_mrad,
        gone=limits.turn_alert_gone_mrad,
    )
    paths = [turn.verdict()] if _has(evidence, "turn") else []
    if evidence.get("alarm") is True and evidence.get("alarm_borne_out") is False:
        return any_of([*paths, "between"])
    return _with_alarm(evidence, paths)


def joint_open(evidence: Evidence, limits: Limits) -> Verdict:
    """By the turn or the mean opening that stays, each against its own open limit."""
    series = (("turn", "mrad"), ("opening", "mm"))
    return any_of(
        _of_limit(evidence, name, unit, f"{name}_open_{unit}", limits)
        for name, unit in series
        if _has(evidence, name)
    )


def leaf_set(evidence: Evidence, limits: Limits) -> Verdict:
    """By the rate of droop or rack, told apart from none."""
    rate, low = number(evidence, "rate_mm_per_year"), number(evidence, "rate_low_mm_per_year")
    if rate is None or low is None:
        return "unjudged"
    if rate >= limits.rate_mm_per_year and low > 0:
        return "holds"
    return "gone" if low <= 0 or rate < limits.rate_gone_mm_per_year else "between"


def leaf_over(evidence: Evidence, limits: Limits) -> Verdict:
    """By the trend's alarm, by the rack that stays, or by droop at its limit."""
    paths = []
    if _has(evidence, "rack"):
        paths.append(_rack(evidence, limits))
    if _has(evidence, "droop"):
        paths.append(_of_limit(evidence, "droop", "mm", "droop_limit_mm", limits))
    return _with_alarm(evidence, paths)


def frame_forecast(evidence: Evidence, limits: Limits) -> Verdict:
    """By the least gap to be expected in a damp season."""
    return below(number(evidence, "least_expected_mm"), limits.forecast_mm, limits.forecast_gone_mm)


def frame_near(evidence: Evidence, limits: Limits) -> Verdict:
    """By the least gap of the day."""
    return below(number(evidence, "margin_mm"), limits.near_mm, limits.near_gone_mm)


def frame_close(evidence: Evidence, limits: Limits) -> Verdict:
    """By the least gap of the day, closer."""
    return below(number(evidence, "margin_mm"), limits.close_mm, limits.close_gone_mm)


def frame_rubs(evidence: Evidence, limits: Limits) -> Verdict:
    """By a person's word at once, or by no gap left."""
    if evidence.get("rubs") is True:
        return "at_once"
    margin = number(evidence, "margin_mm")
    if margin is None:
        return "unjudged"
    if margin <= limits.rubs_mm:
        return "holds"
    return "gone" if margin >= limits.rubs_gone_mm else "between"


def step_unlogged(evidence: Evidence, _limits: Limits) -> Verdict:
    """By a step that the trend finds and nobody logged."""
    found = evidence.get("found")
    if not isinstance(found, bool):
        return "unjudged"
    if evidence.get("logged") is True:
        return "gone_at_once"
    return "holds" if found else "gone"


def slam(evidence: Evidence, limits: Limits) -> Verdict:
    """By gauges on different feet that jumped together and stayed."""
    channels, lasts_h = number(evidence, "channels"), number(evidence, "lasts_h")
    if evidence.get("checked") is True:
        return "gone_at_once"
    if channels is None or lasts_h is None:
        return "unjudged"
    return "at_once" if channels >= limits.slam_channels and lasts_h >= limits.slam_lasts_h else "between"


def check_due(evidence: Evidence, limits: Limits) -> Verdict:
    """By days since the last check."""
    return reaches(number(evidence, "days_since_check"), limits.check_days)


def test_watch(evidence: Evidence, limits: Limits) -> Verdict:
    """By a fall of stiffness of more than its own doubt."""
    return _fell(evidence, limits.test_watch_sd)


def test_softer(evidence: Evidence, limits: Limits) -> Verdict:
    """By a fall of stiffness of more than twice its own doubt."""
    return _fell(evidence, limits.test_softer_sd)


def look_failed(evidence: Evidence, _limits: Limits) -> Verdict:
    """By a look that did not end."""
    failed = evidence.get("failed")
    if not isinstance(failed, bool):
        return "unjudged"
    return "holds" if failed else "gone"


def told(_evidence: Evidence, _limits: Limits) -> Verdict:
    """News hold as soon as they are found."""
    return "at_once"


def _rise(evidence: Evidence, limits: Limits) -> Verdict:
    moved = number(evidence, "moisture_change_14d_pct")
    if moved is None or abs(moved) > limits.watch_moisture_pct:
        return "unjudged"
    rise = number(evidence, "turn_rise_14d_mrad")
    return _at_least(rise, limits.watch_rise_mrad, limits.watch_rise_gone_mrad)


def _at_least(value: float | None, limit: float, gone: float) -> Verdict:
    if value is None:
        return "unjudged"
    if value >= limit:
        return "holds"
    return "gone" if value < gone else "between"


def _has(evidence: Evidence, series: str) -> bool:
    """Whether the kit has a series: one that it does not have is left out of the evidence altogether."""
    return any(key.startswith(f"{series}_") for key in evidence)


def _share(limit: float | None, share: float) -> float | None:
    return None if limit is None else limit * share


def _of_limit(evidence: Evidence, series: str, unit: str, limit_key: str, limits: Limits) -> Verdict:
    limit = number(evidence, limit_key)
    return _Path(
        stays=number(evidence, f"{series}_stays_{unit}"),
        low=number(evidence, f"{series}_low_{unit}"),
        limit=limit,
        least_low=_share(limit, limits.low_share),
        gone=_share(limit, limits.gone_share),
    ).verdict()


def _rack(evidence: Evidence, limits: Limits) -> Verdict:
    stays, sd = number(evidence, "rack_stays_mm"), number(evidence, "rack_sd_mm")
    if stays is None or sd is None or sd > limits.rack_sd_mm:
        return "unjudged"
    limit = number(evidence, "rack_limit_mm") or limits.rack_mm
    return _at_least(stays, limit, limit * limits.gone_share)


def _with_alarm(evidence: Evidence, paths: list[Verdict]) -> Verdict:
    """The trend's alarm has its own proof; where it is asked and not known, the rule is not judged."""
    if "alarm" not in evidence:
        return any_of(paths)
    if evidence["alarm"] is True:
        return "at_once"
    return any_of([*paths, "gone"]) if evidence["alarm"] is False else "unjudged"


def _fell(evidence: Evidence, limit: float) -> Verdict:
    fall = number(evidence, "fall_sd")
    if fall is None:
        return "unjudged"
    return "at_once" if fall > limit else "gone_at_once"

"""What evidence says of gauges, boxes and the house tonight. Pure."""

from server.alerts.verdicts import Evidence, Limits, Verdict, below, flag, number, reaches


def gauge_off(evidence: Evidence, _limits: Limits) -> Verdict:
    """By a feeler check beyond its own bound."""
    gap, bound = number(evidence, "feeler_gap_mm"), number(evidence, "feeler_bound_mm")
    if gap is None or bound is None:
        return "unjudged"
    return "at_once" if abs(gap) > bound else "gone_at_once"


def gauge_still(evidence: Evidence, limits: Limits) -> Verdict:
    """By a season that is missing where there was one, while the wood's moisture moved."""
    swing, then = number(evidence, "swing_mm"), number(evidence, "swing_then_mm")
    moved = number(evidence, "moisture_change_pct")
    if swing is None or then is None or moved is None:
        return "unjudged"
    if then < limits.still_swing_mm or abs(moved) < limits.still_moisture_pct:
        return "unjudged"
    if swing <= limits.still_share * then:
        return "holds"
    return "gone" if swing >= limits.still_gone_share * then else "between"


def gauge_wet(evidence: Evidence, limits: Limits) -> Verdict:
    """By a day whose lowest humidity is as good as full."""
    low = number(evidence, "day_low_rh_pct")
    if low is None:
        return "unjudged"
    if low >= limits.wet_rh_pct:
        return "holds"
    return "gone" if low < limits.wet_gone_rh_pct else "between"


def gauge_converter(evidence: Evidence, limits: Limits) -> Verdict:
    """By a shift of the box's own reference, either way."""
    shift = number(evidence, "ref_shift")
    if shift is None:
        return "unjudged"
    if abs(shift) > limits.ref_shift:
        return "at_once"
    return "gone" if abs(shift) < limits.ref_gone_shift else "between"


def gauge_doubt(evidence: Evidence, limits: Limits) -> Verdict:
    """By a gauge that does not fit the others."""
    if evidence.get("suspect") is True:
        return "holds"
    most = number(evidence, "max_w")
    if most is None or evidence.get("suspect") is not False:
        return "unjudged"
    return "gone" if most < limits.doubt_gone_w else "between"


def gauge_out(evidence: Evidence, limits: Limits) -> Verdict:
    """By a day without a good reading."""
    count = number(evidence, "good_readings")
    if count is None:
        return "unjudged"
    if count <= limits.out_readings:
        return "holds"
    return "gone" if count >= limits.out_gone_readings else "between"


def node_silent(evidence: Evidence, limits: Limits) -> Verdict:
    """By a box that is overdue and has been silent for a day."""
    overdue, silent_h = evidence.get("overdue"), number(evidence, "silent_h")
    if overdue is False:
        return "gone"
    if overdue is not True or silent_h is None:
        return "unjudged"
    return "holds" if silent_h >= limits.silent_h else "between"


def site_silent(evidence: Evidence, limits: Limits) -> Verdict:
    """By several boxes, and at least half of all, that are silent on one night."""
    silent, boxes = number(evidence, "silent"), number(evidence, "boxes")
    if silent is None or boxes is None:
        return "unjudged"
    is_many = silent >= limits.site_boxes and silent >= limits.site_share * boxes
    return "holds" if is_many else "gone"


def battery_low(evidence: Evidence, limits: Limits) -> Verdict:
    """By three days' median under the low mark of its kind."""
    low_v = number(evidence, "low_v")
    if low_v is None:
        return "unjudged"
    return below(number(evidence, "battery_v"), low_v, low_v + limits.battery_gone_v)


def clock_undated(evidence: Evidence, _limits: Limits) -> Verdict:
    """By instants without a date."""
    return reaches(number(evidence, "undated"), 1)


def clock_suspect(evidence: Evidence, _limits: Limits) -> Verdict:
    """By a span whose clock is in doubt."""
    return flag(evidence, "suspect")


def node_twin(evidence: Evidence, _limits: Limits) -> Verdict:
    """By two journals seen in turn."""
    return flag(evidence, "two_journals")


def packs_held(evidence: Evidence, limits: Limits) -> Verdict:
    """By packs in quarantine for a day."""
    packs, days = number(evidence, "packs"), number(evidence, "oldest_days")
    if packs == 0:
        return "gone"
    if packs is None or days is None:
        return "unjudged"
    return "holds" if days >= limits.held_days else "between"


def packs_expiring(evidence: Evidence, limits: Limits) -> Verdict:
    """By packs in quarantine that are soon thrown away."""
    packs = number(evidence, "packs")
    if packs == 0:
        return "gone"
    return "unjudged" if packs is None else reaches(number(evidence, "oldest_days"), limits.expiring_days)


def password_old(evidence: Evidence, _limits: Limits) -> Verdict:
    """By a password that was not taken up."""
    return flag(evidence, "password_overdue")


def node_flooding(evidence: Evidence, _limits: Limits) -> Verdict:
    """By a box that is paused for its rate."""
    return flag(evidence, "paused")


def certificate_ending(evidence: Evidence, limits: Limits) -> Verdict:
    """By a year left."""
    return _at_most(number(evidence, "days_left"), limits.certificate_days)


def certificate_short(evidence: Evidence, limits: Limits) -> Verdict:
    """By two months left."""
    return _at_most(number(evidence, "days_left"), limits.certificate_short_days)


def disk_low(evidence: Evidence, limits: Limits) -> Verdict:
    """By free space."""
    return below(number(evidence, "free_mib"), limits.disk_low_mib, limits.disk_low_gone_mib)


def disk_full(evidence: Evidence, limits: Limits) -> Verdict:
    """By a write that was refused, at once, or by hardly any space."""
    if evidence.get("refused") is True:
        return "at_once"
    return below(number(evidence, "free_mib"), limits.disk_full_mib, limits.disk_full_gone_mib)


def backup_late(evidence: Evidence, limits: Limits) -> Verdict:
    """By the age of the newest good copy."""
    return reaches(number(evidence, "age_days"), limits.backup_days)


def backup_bad(evidence: Evidence, _limits: Limits) -> Verdict:
    """By a copy that does not verify."""
    verified = evidence.get("verified")
    if not isinstance(verified, bool):
        return "unjudged"
    return "gone" if verified else "holds"


def intake_failing(evidence: Evidence, limits: Limits) -> Verdict:
    """By minutes in which nothing could be stored."""
    return reaches(number(evidence, "failing_min"), limits.intake_min)


def channel_failing(evidence: Evidence, limits: Limits) -> Verdict:
    """By messages that do not pass for a day, or are flatly refused."""
    if evidence.get("refused") is True:
        return "holds"
    return reaches(number(evidence, "failing_h"), limits.channel_h)


def _at_most(value: float | None, limit: float) -> Verdict:
    if value is None:
        return "unjudged"
    return "holds" if value <= limit else "gone"

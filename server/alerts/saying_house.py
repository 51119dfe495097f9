"""What is seen of gauges, boxes and the house. One function a step. Pure."""

from collections.abc import Callable, Mapping

from server.alerts.said import Evidence, count, day, figure, moment, of, text
from server.alerts.verdicts import Limits, number

KEPT_DAYS = 90
MENDED = figure(Limits().ref_shift, 4)
MINUTES_PER_HOUR, HOURS_PER_DAY = 60, 24
# Source: the node's own codes of what is wrong with a channel; the usual cause, not the only one.
CAUSES = {
    "no-device": "not found: wire or kernel",
    "ambiguous": "two fit its description",
    "no-file": "not found: wire or kernel",
    "io-error": "loose wire",
    "disabled": "loose wire, or its bus hangs",
    "fault-flag": "loose wire",
    "not-number": "its driver",
    "no-scale": "its driver",
    "scale-differs": "its driver",
    "ends-close": "broken wire: no supply",
    "implausible": "wet or dead sensor",
    "device-suspect": "wet or dead sensor",
    "fingerprint": "another part is fitted",
    "wrong-unit": "its board says another unit",
    "stale": "its board says the same again and again",
}


def gauge_off(evidence: Evidence, _zone: str) -> str:
    """Both readings and what chance would make of them."""
    bound = of(evidence, "feeler_bound_mm")
    gauge, feeler = number(evidence, "gauge_moved_mm"), number(evidence, "feeler_moved_mm")
    if gauge is None or feeler is None:
        gap = number(evidence, "feeler_gap_mm")
        apart = figure(None if gap is None else abs(gap))
        return f"Gauge and feeler differ by {apart} mm since the last check; {bound} would be chance."
    since = day(evidence.get("feeler_since"))
    before = "the last check" if since is None else f"the check of {since}"
    said = f"the gap went {figure(gauge)} mm by the gauge and {figure(feeler)} by the feeler"
    return f"Since {before} {said}; {bound} apart would be chance."


def gauge_still(evidence: Evidence, _zone: str) -> str:
    """How far it moved, and how far a year ago."""
    now, then = of(evidence, "swing_mm"), of(evidence, "swing_then_mm")
    return f"It moved {now} mm where a year ago it moved {then}."


def gauge_wet(evidence: Evidence, _zone: str) -> str:
    """How wet it says it is, and for how long."""
    days = number(evidence, "nights")
    lasting = "for days" if days is None else f"for {count(days, 'day', 'days')}"
    return f"It has said {of(evidence, 'day_low_rh_pct', 1)} % or more {lasting}."


def gauge_converter(evidence: Evidence, _zone: str) -> str:
    """How far the reference moved."""
    shift = number(evidence, "ref_shift")
    moved = figure(None if shift is None else abs(shift), 4)
    return f"The box's own reference moved by {moved} of full scale; up to {MENDED} can be put right."


def gauge_doubt(evidence: Evidence, _zone: str) -> str:
    """Since when it does not fit."""
    since = day(evidence.get("since"))
    return f"It does not fit the others{'' if since is None else f' since {since}'}."


def gauge_out(evidence: Evidence, _zone: str) -> str:
    """For how long, and why if the box says so."""
    days, code = number(evidence, "nights"), text(evidence, "problem")
    lasting = "" if days is None else f" for {count(days, 'day', 'days')}"
    why = "" if code is None else f": {CAUSES.get(code, code)}"
    return f"No good reading{lasting}{why}."


def node_silent(evidence: Evidence, zone: str) -> str:
    """Since when, and until when nothing is lost."""
    last, lost = (
        moment(evidence, "last_heard_ms", zone),
        moment(evidence, "lost_from_ms", zone, with_hour=False),
    )
    heard = "Not heard." if last is None else f"Not heard since {last}."
    return heard if lost is None else f"{heard} Nothing is lost until about {lost}."


def site_silent(evidence: Evidence, zone: str) -> str:
    """How many of how many, since when."""
    since = moment(evidence, "since_ms", zone)
    lasting = "" if since is None else f" since about {since}"
    return f"{of(evidence, 'silent', 0)} of {of(evidence, 'boxes', 0)} boxes are silent{lasting}."


def battery_low(evidence: Evidence, _zone: str) -> str:
    """The voltage."""
    return f"{of(evidence, 'battery_v')} V for three days; under {of(evidence, 'low_v')} V it soon stops."


def clock_undated(evidence: Evidence, _zone: str) -> str:
    """How many readings."""
    many = number(evidence, "undated")
    has = "has" if many == 1 else "have"
    return f"{count(many, 'reading', 'readings')} {has} no sure date.".replace("some", "Some", 1)


def clock_suspect(_evidence: Evidence, _zone: str) -> str:
    """That its dates may be wrong."""
    return "Its clock jumped or drifted: when its last readings were taken is not sure."


def node_twin(evidence: Evidence, _zone: str) -> str:
    """Which name."""
    return f"Two boxes answer as {text(evidence, 'about') or 'one'}."


def packs_held(evidence: Evidence, _zone: str) -> str:
    """How many, for how long, why."""
    days, why = number(evidence, "oldest_days"), text(evidence, "why")
    oldest = "" if days is None else f", the oldest for {count(max(days, 1.0), 'day', 'days')}"
    many = count(number(evidence, "packs"), "pack is", "packs are")
    return f"{many} held back{oldest}{'' if why is None else f': {why}'}.".replace("some", "Some", 1)


def packs_expiring(evidence: Evidence, zone: str) -> str:
    """How many, and when they are thrown away."""
    days = number(evidence, "oldest_days")
    left = None if days is None else max(KEPT_DAYS - days, 0.0)
    when = "" if left is None else f" In {count(left, 'day', 'days')} they begin to be thrown away."
    return f"{packs_held(evidence, zone)}{when}"


def password_old(_evidence: Evidence, _zone: str) -> str:
    """That the new password is not used."""
    return "It was sent a new password and still comes with the old one, which goes on working."


def node_flooding(evidence: Evidence, _zone: str) -> str:
    """How much it may send, where that is known, and that it is not read for the moment."""
    most = number(evidence, "rate_per_minute")
    much = "more packs than it may" if most is None else f"more than {most:.0f} packs a minute"
    return f"It sends {much}, so it is not read until it slows down."


def certificate(evidence: Evidence, _zone: str) -> str:
    """How long is left, and what then."""
    days = count(number(evidence, "days_left"), "day", "days")
    return f"The certificate ends in {days}; after that no box can connect. Until then all works."


def disk_low(evidence: Evidence, _zone: str) -> str:
    """How much is free; what still works."""
    return f"{of(evidence, 'free_mib', 0)} MiB are free. Readings are still kept."


def disk_full(evidence: Evidence, _zone: str) -> str:
    """How much is free, or that nothing could be written; what still works."""
    full = "Nothing could be written" if evidence.get("refused") is True else "Hardly anything can be written"
    return f"{full}: {of(evidence, 'free_mib', 0)} MiB are free. Boxes keep their readings meanwhile."


def backup_late(evidence: Evidence, _zone: str) -> str:
    """How old the newest good copy is."""
    return f"The newest good copy is {count(number(evidence, 'age_days'), 'day', 'days')} old."


def backup_bad(_evidence: Evidence, _zone: str) -> str:
    """That it cannot be relied upon."""
    return "The last copy cannot be read back: it does not hold what was stored."


def intake_failing(evidence: Evidence, zone: str) -> str:
    """For how long; until when nothing is lost."""
    lost = moment(evidence, "lost_from_ms", zone, with_hour=False)
    until = "" if lost is None else f"; nothing is lost until about {lost}"
    return f"Nothing could be stored for {_minutes(evidence)}. Boxes keep their readings{until}."


def channel_failing(evidence: Evidence, _zone: str) -> str:
    """Which channel, and for how long or that it refuses."""
    way = text(evidence, "about") or "this channel"
    if evidence.get("refused") is True:
        return f"The other side refuses what is sent by {way}. All is still on the page of alerts."
    hours = count(number(evidence, "failing_h"), "hour", "hours")
    return f"Nothing has passed by {way} for {hours}. All is still on the page of alerts."


HOUSE: Mapping[str, Callable[[Evidence, str], str]] = {
    "gauge_off": gauge_off,
    "gauge_still": gauge_still,
    "gauge_wet": gauge_wet,
    "gauge_converter": gauge_converter,
    "gauge_doubt": gauge_doubt,
    "gauge_out": gauge_out,
    "node_silent": node_silent,
    "site_silent": site_silent,
    "battery_low": battery_low,
    "clock_undated": clock_undated,
    "clock_suspect": clock_suspect,
    "node_twin": node_twin,
    "packs_held": packs_held,
    "packs_expiring": packs_expiring,
    "password_old": password_old,
    "node_flooding": node_flooding,
    "certificate_ending": certificate,
    "certificate_short": certificate,
    "disk_low": disk_low,
    "disk_full": disk_full,
    "backup_late": backup_late,
    "backup_bad": backup_bad,
    "intake_failing": intake_failing,
    "channel_failing": channel_failing,
}


def _minutes(evidence: Evidence) -> str:
    minutes = number(evidence, "failing_min")
    if minutes is None or minutes < 2 * MINUTES_PER_HOUR:
        return count(minutes, "minute", "minutes")
    hours = minutes / MINUTES_PER_HOUR
    if hours < 2 * HOURS_PER_DAY:
        return count(hours, "hour", "hours")
    return count(hours / HOURS_PER_DAY, "day", "days")

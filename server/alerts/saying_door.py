"""What is seen at a door: joints, leaf, frame, steps, slams, tests, checks, news. Pure."""

from collections.abc import Callable, Mapping

from server.alerts.said import (
    Evidence,
    between,
    count,
    day,
    figure,
    inside,
    month,
    named_day,
    of,
    text,
)
from server.alerts.verdicts import Limits, number

SERIES = (("turn", "mrad", "of its turn"), ("opening", "mm", "at its shoulder"))
LIMITS = Limits()


def joint_watch(evidence: Evidence) -> str:
    """By the path that holds."""
    stays, low, high = (number(evidence, f"turn_{key}_mrad") for key in ("stays", "low", "high"))
    rise = number(evidence, "turn_rise_14d_mrad")
    if rise is not None and rise >= LIMITS.watch_rise_mrad and not (stays or 0.0) >= LIMITS.watch_stays_mrad:
        return f"It turned {figure(rise)} mrad in 14 days while the wood kept its moisture."
    if stays is not None:
        return f"What stays of its turn is {figure(stays)} mrad{between(low, high)}."
    seen = of(evidence, "turn_seen_mrad")
    return f"It has turned {seen} mrad since the hung line; too early to part season from set."


def joint_opening(evidence: Evidence) -> str:
    """What stays, how fast it grows, and when its limit could be reached."""
    series, unit, where = _nearer(evidence)
    stays, low, high = (number(evidence, f"{series}_{key}_{unit}") for key in ("stays", "low", "high"))
    rate, least, most = (
        number(evidence, f"{series}_rate_{key}{unit}_per_year") for key in ("", "low_", "high_")
    )
    if stays is None:
        return f"It began to turn; how much of it stays is not known yet.{_reaches(evidence, series, unit)}"
    if rate is None:
        return f"What stays {where} is {figure(stays)} {unit}{between(low, high)}." + _reaches(
            evidence, series, unit
        )
    grows = f"grows by {figure(rate)} a year{between(least, most)}"
    return f"What stays {where} is {figure(stays)} {unit} and {grows}." + _reaches(evidence, series, unit)


def joint_open(evidence: Evidence) -> str:
    """How far over its limit."""
    series, unit, where = _nearer(evidence)
    stays, low, high = (number(evidence, f"{series}_{key}_{unit}") for key in ("stays", "low", "high"))
    limit = of(evidence, f"{series}_open_{unit}")
    return f"What stays {where} has passed {limit} {unit} and is {figure(stays)} now{between(low, high)}."


def leaf_set(evidence: Evidence) -> str:
    """How fast it grows."""
    rate, low, high = (number(evidence, f"rate_{key}mm_per_year") for key in ("", "low_", "high_"))
    which = text(evidence, "rate_of") or "leaf"
    return f"What stays of the {which} grows by {figure(rate)} mm a year{between(low, high)}."


def leaf_over(evidence: Evidence) -> str:
    """Which series is over its limit."""
    for series, usual in (("droop", None), ("rack", LIMITS.rack_mm)):
        stays, limit = number(evidence, f"{series}_stays_mm"), number(evidence, f"{series}_limit_mm") or usual
        if stays is not None and limit is not None and stays >= limit:
            low, high = (number(evidence, f"{series}_{key}_mm") for key in ("low", "high"))
            said = f"{figure(stays)} mm of {series} stays{between(low, high)}"
            return f"{said}: more than the {figure(limit)} set for this door."
    series = "droop" if number(evidence, "droop_stays_mm") is not None else "rack"
    stays, low, high = (number(evidence, f"{series}_{key}_mm") for key in ("stays", "low", "high"))
    if stays is None:
        return "It began to leave its square; how much of it stays is not known yet."
    return f"What stays of the {series} is {figure(stays)} mm{between(low, high)}."


def frame_forecast(evidence: Evidence) -> str:
    """The least gap to be expected."""
    least = of(evidence, "least_expected_mm")
    return f"In a damp season the least gap {_edge(evidence)} would be {least} mm."


def frame_gap(evidence: Evidence) -> str:
    """The least gap of the day."""
    return f"The least gap is {of(evidence, 'margin_mm')} mm, {_edge(evidence)}."


def frame_rubs(evidence: Evidence) -> str:
    """Where it touches."""
    return f"It touches {_edge(evidence, 'the frame')}."


def step_unlogged(evidence: Evidence) -> str:
    """How large, which way, on which day."""
    size, when = number(evidence, "size"), named_day(evidence)
    unit = text(evidence, "unit") or "mm"
    way = {True: " down", False: " up"}[size > 0] if size is not None and _is_droop(evidence) else ""
    much = "" if size is None else f" of {figure(abs(size))} {unit}{way}"
    on = "" if when is None else f" on {when}"
    return f"A step{much}{on}. Nobody has logged why.{slam_beside(evidence)}"


def slam_beside(evidence: Evidence) -> str:
    """The slam that the door's meter felt beside a step, as a sentence after it; "" where it felt none."""
    felt = day(evidence.get("slam_on"))
    if felt is None:
        return ""
    is_same = felt == named_day(evidence)
    return felt_words(is_same_day=is_same, is_hardest=evidence.get("slam_is_hardest") is True)


def felt_words(*, is_same_day: bool, is_hardest: bool) -> str:
    """That a slam was felt on a step's day, or on the day before; a hard one by its month."""
    if is_hardest:
        return f" The hardest slam of that month fell on the {'same day' if is_same_day else 'day before'}."
    return f" A slam was felt {'that day' if is_same_day else 'the day before'}."


def slam(evidence: Evidence) -> str:
    """How many gauges, on which day, how far."""
    many = count(number(evidence, "channels"), "gauge", "gauges")
    on = f" on {when}" if (when := named_day(evidence)) else ""
    most = number(evidence, "most_mm")
    far = "" if most is None else f", by up to {figure(most)} mm,"
    return f"{many[0].upper()}{many[1:]} jumped together{on}{far} and stayed."


def check_due(evidence: Evidence) -> str:
    """How many gauges, or how long ago."""
    gauges, days = number(evidence, "gauges"), number(evidence, "days_since_check")
    of_gap = [] if gauges is None else [count(gauges, "gauge", "gauges")]
    due = " and ".join([*of_gap, *(["the humidity gauge"] if number(evidence, "humidity") else [])])
    if due:
        has = "has" if due in ("1 gauge", "the humidity gauge") else "have"
        return f"{due[0].upper()}{due[1:]} {has} not been checked for a year."
    if days is None:
        return "Its gauges are due for a check."
    return f"The last check of its gauges was {count(days, 'day', 'days')} ago."


def look_failed(evidence: Evidence) -> str:
    """How many nights, or how long it took; what still works."""
    nights, took_s = number(evidence, "nights"), number(evidence, "took_s")
    running = f" on {nights:.0f} nights running" if nights is not None and nights > 1 else ""
    if took_s is not None:
        return f"The look at this door took too long{running}: {took_s:.0f} seconds. What it said is kept."
    return f"The look at this door did not end{running}. Its readings are still taken in and kept."


def test_fell(evidence: Evidence) -> str:
    """The factor, the one before, and the fall in its own doubt."""
    fall = f"The fall is {of(evidence, 'fall_sd', 1)} times its own doubt."
    now, low, high = (number(evidence, key) for key in ("factor", "factor_low", "factor_high"))
    if now is None:
        return f"It gave more under the same load than at the test before. {fall}"
    before = number(evidence, "factor_before")
    then = "" if before is None else f"; {figure(before)} at the test before"
    return f"Stiffness factor {figure(now)}{between(low, high)}{then}. {fall}"


def line_soon(evidence: Evidence) -> str:
    """When the hung line will be drawn."""
    return f"The hung line is drawn on {named_day(evidence) or 'a day of next week'}."


def line_fixed(evidence: Evidence) -> str:
    """When the hung line was drawn."""
    return f"The hung line was drawn on {named_day(evidence) or 'this day'}. All that follows counts from it."


def line_late(evidence: Evidence) -> str:
    """How many days were good."""
    good = number(evidence, "good_days")
    few = "Too few good days" if good is None else f"Only {count(good, 'good day', 'good days')}"
    return f"{few} in the fortnight; ten are needed."


def first_word(_evidence: Evidence) -> str:
    """That a year is heard."""
    return "A year is heard: the page now parts season from set."


DOOR: Mapping[str, Callable[[Evidence], str]] = {
    "joint_watch": joint_watch,
    "joint_opening": joint_opening,
    "joint_open": joint_open,
    "leaf_set": leaf_set,
    "leaf_over": leaf_over,
    "frame_forecast": frame_forecast,
    "frame_near": frame_gap,
    "frame_close": frame_gap,
    "frame_rubs": frame_rubs,
    "step_unlogged": step_unlogged,
    "slam": slam,
    "check_due": check_due,
    "look_failed": look_failed,
    "test_watch": test_fell,
    "test_softer": test_fell,
    "line_soon": line_soon,
    "line_fixed": line_fixed,
    "line_late": line_late,
    "first_word": first_word,
}


def _nearer(evidence: Evidence) -> tuple[str, str, str]:
    """The series of a joint that is nearer its limit, by what stays."""

    def spent(one: tuple[str, str, str]) -> float:
        stays = number(evidence, f"{one[0]}_stays_{one[1]}")
        limit = number(evidence, f"{one[0]}_open_{one[1]}")
        return -1.0 if stays is None or not limit else stays / limit

    return max(SERIES, key=spent)


def _reaches(evidence: Evidence, series: str, unit: str) -> str:
    """When the limit could be reached: the earliest date, then the latest or that it is not known."""
    limit = f"{of(evidence, f'{series}_open_{unit}')} {unit}, where it counts as open,"
    earliest, latest = month(evidence.get("earliest")), month(evidence.get("latest"))
    if earliest is None:
        return ""
    if latest is None:
        return f" It reaches {limit} not before {earliest}; how long after is not known yet."
    return f" It reaches {limit} not before {earliest}; between then and {latest}, if it goes on so."


def _edge(evidence: Evidence, unnamed: str = "to the frame") -> str:
    edge = inside(evidence).replace("-", " ")
    return f"at the {edge}" if edge else unnamed


def _is_droop(evidence: Evidence) -> bool:
    return inside(evidence) in ("droop", "sag") or inside(evidence).startswith("gauge:")


def season_before(earliest: object) -> str:
    """When to have it mended: "winter 2026", the season before an earliest date; "" where there is none."""
    if day(earliest) is None:
        return ""
    year, at = int(str(earliest)[:4]), int(str(earliest)[5:7])
    # meteorological seasons: winter is December to February and is named by its first year
    season = (at % 12) // 3
    before = (season - 1) % 4
    its_year = year - 1 if before == 0 or (season == 0 and at < 12) else year
    return f"{('winter', 'spring', 'summer', 'autumn')[before]} {its_year}"

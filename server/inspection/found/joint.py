"""What is found of each joint with a shoulder pair: what stays of its turn and opening, alarm, fast rise."""

from collections.abc import Mapping

from server.doors.built import shoulder_pairs
from server.inspection.found import told
from server.inspection.seen import Seen
from server.inspection.values import Finding, SeriesLook

# From here on an alarm of the mean opening counts; alone it is too often false. Source: trend, section 17.
OPENING_MM, OPENING_LOW_MM = 0.15, 0.10
SEEN_DAYS, RISE_DAYS, RISE_BACK = 14, 7, 14
NOT_HEARD_OF = "no reading of its gauges has been heard yet"
PAIR_MISSING = "a gauge of its pair has given no reading in the last 7 days"
FIGURES = (("stays", "stays"), ("low", "stays_low"), ("high", "stays_high"))


def joints(seen: Seen, *, held_back: str | None = None) -> list[Finding]:
    """Each joint with a pair; `held_back`: why nothing is judged tonight."""
    return [_joint(seen, joint, held_back) for joint in shoulder_pairs(seen.inputs.door.built)]


def _joint(seen: Seen, joint: str, held_back: str | None) -> Finding:
    about = f"{seen.inputs.door.name}/{joint}"
    turn, opening = seen.looks.get(f"turn:{joint}"), seen.looks.get(f"opening:{joint}")
    if turn is None or opening is None:
        return Finding(topic="joint", about=about, evidence={}, unjudged=held_back or NOT_HEARD_OF)
    evidence = {
        **_figures(turn, "turn", "mrad"),
        **_figures(opening, "opening", "mm"),
        **_alarm(turn, opening),
        **_early(seen, joint),
        **_ahead(turn, opening),
    }
    return Finding(
        topic="joint",
        about=about,
        evidence=evidence,
        rests_on=told.rests_on(seen, (turn.key, opening.key)),
        unjudged=held_back or _unjudged(seen, turn, evidence),
    )


def _unjudged(seen: Seen, turn: SeriesLook, evidence: Mapping[str, object]) -> str | None:
    """Why no rule can say anything; None where one can."""
    if not told.is_fresh(seen, turn):
        return NOT_HEARD_OF if turn.number("last_day") is None else PAIR_MISSING
    keys = ("turn_stays_mrad", "opening_stays_mm", "turn_seen_mrad", "turn_rise_14d_mrad")
    if any(evidence.get(key) is not None for key in keys) or evidence.get("alarm") is True:
        return None
    is_drawn = seen.line is not None and seen.line.kind == "hung"
    return (turn.reason if is_drawn else told.NO_LINE) or PAIR_MISSING


def _figures(one: SeriesLook, name: str, unit: str) -> dict[str, object]:
    figures: dict[str, object] = {f"{name}_{key}_{unit}": one.number(fact) for key, fact in FIGURES}
    figures[f"{name}_open_{unit}"] = one.number("limit")
    rates = (("", one.rate), ("low_", one.low), ("high_", one.high))
    return figures | {f"{name}_rate_{key}{unit}_per_year": rate for key, rate in rates if rate is not None}


def _alarm(turn: SeriesLook, opening: SeriesLook) -> dict[str, object]:
    """The trend's latch; left out where the look had none. None before the first refit.

    `alarm_borne_out` False: it is of the turn alone, and tonight's interval of the turn's rate holds none.
    """
    if "alarm" not in turn.facts and "alarm" not in opening.facts:
        return {}
    stays, low = opening.number("stays"), opening.number("stays_low")
    counts = stays is not None and low is not None and stays >= OPENING_MM and low >= OPENING_LOW_MM
    if opening.facts.get("alarm") is True and counts:
        return {"alarm": True}
    alarm = told.alarm_of([turn] if opening.facts.get("alarm") is True else [turn, opening])
    is_doubtful = alarm is True and turn.low is not None and turn.low <= 0
    doubt: dict[str, object] = {"alarm_borne_out": False} if is_doubtful else {}
    return {"alarm": alarm, **doubt}


def _early(seen: Seen, joint: str) -> dict[str, object]:
    """The turn as seen, and its rise in a fortnight with the wood's moisture meanwhile; from the line on."""
    inputs, line = seen.inputs, seen.line
    turn = told.series_of(seen, f"turn:{joint}")
    rise = moved = now = None
    if turn is not None and line is not None and line.kind == "hung":
        counted = inputs.day >= line.start
        late = told.last_days(inputs, RISE_DAYS) & counted
        early = told.last_days(inputs, RISE_DAYS, back=RISE_BACK) & counted
        now = told.median_of(turn.value, told.last_days(inputs, SEEN_DAYS) & counted)
        rise = _less(told.median_of(turn.value, late), told.median_of(turn.value, early))
        if seen.moisture is not None:
            pct = seen.moisture.pct
            moved = _less(told.median_of(pct, late), told.median_of(pct, early))
    return {"turn_seen_mrad": now, "turn_rise_14d_mrad": rise, "moisture_change_14d_pct": moved}


def _less(late: float | None, early: float | None) -> float | None:
    return None if late is None or early is None else late - early


def _ahead(turn: SeriesLook, opening: SeriesLook) -> dict[str, object]:
    """The dates of the series that is nearer its limit: of a turn the earliest alone says something."""

    def spent(one: SeriesLook) -> float:
        stays, limit = one.number("stays"), one.number("limit")
        return -1.0 if stays is None or not limit else stays / limit

    nearer = max((turn, opening), key=spent)
    return told.forecast_of(nearer, with_latest=nearer is opening)

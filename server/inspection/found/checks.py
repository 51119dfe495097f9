"""What is found of checks and tests: gauges whose check is due, and a leaf that gives more under a load."""

import numpy as np

from server.doors.checks import FELT_KINDS
from server.doors.load_tests import hung_and_glued
from server.doors.marks import is_of_all, named_in
from server.inspection.found import feelers, told
from server.inspection.found.gauges import MOVING
from server.inspection.found.steps import CHECKED
from server.inspection.seen import Seen
from server.inspection.values import Finding

YEAR_DAYS, SOON_DAYS = 365, 7
# A gauge that no feeler reaches is checked on the blocks alone. Source: sensors, section 9.6.
BLOCKS_DAYS = 5 * YEAR_DAYS
# What upsets gauges: a check is due a week after it.
UPSETS = ("slam", "rehung", "repaired")
NO_CHECK = "no check or calibration of its gauges is kept"
ONE_TEST = "one load test more is needed to compare"
AT_BOUND = "a test lies at the bound of what the model covers"


def check_due(seen: Seen) -> list[Finding]:
    """How long ago the gauges of a door were checked: by a feeler, a calibration, a mark `calibrated`.

    The humidity gauge too, yearly, against a salt jar. Source: sensors, section 9.6. `checked_on`: of the
    yearly ones the day of the oldest check; `other_due_on`: the first day on which any other falls due.
    """
    inputs = seen.inputs
    tonight = inputs.hung_day + inputs.last_ended
    watched = [g for g in inputs.door.built.gauges if g.kind in MOVING and g.channel in inputs.door.channels]
    if not watched:
        return []
    may_age = {one.channel: YEAR_DAYS if one.kind in FELT_KINDS else BLOCKS_DAYS for one in watched}
    newest = {name: _checked(seen, name) for name in may_age}
    ages = {name: tonight - day for name, day in newest.items() if day is not None}
    jars = _salt_jar_days(seen)
    about, humidity = inputs.door.name, sum(tonight - day >= YEAR_DAYS for day in jars)
    if not ages:
        return [Finding(topic="check", about=about, evidence={}, unjudged=NO_CHECK)]
    upset = max((one.t_ms // told.DAY_MS for one in inputs.marks if one.kind in UPSETS), default=None)
    due = [
        name for name, age in ages.items() if age >= may_age[name] or _is_upset(tonight - age, upset, tonight)
    ]
    yearly = [age for name, age in ages.items() if may_age[name] == YEAR_DAYS]
    longest = max([*yearly, *([YEAR_DAYS] if due or humidity else [])], default=0)
    evidence: dict[str, object] = {"days_since_check": longest}
    evidence |= ({"gauges": len(due)} if due else {}) | ({"humidity": humidity} if humidity else {})
    if yearly:
        evidence["checked_on"] = told.day_text(tonight - max(yearly))
    blocks = [tonight - age + BLOCKS_DAYS for name, age in ages.items() if may_age[name] == BLOCKS_DAYS]
    shaken = [upset + SOON_DAYS] if upset is not None and tonight - max(ages.values()) <= upset else []
    if other := [*blocks, *shaken, *(day + YEAR_DAYS for day in jars)]:
        evidence["other_due_on"] = told.day_text(min(other))
    return [Finding(topic="check", about=about, evidence=evidence)]


def _salt_jar_days(seen: Seen) -> list[int]:
    """Of each humidity gauge the day since 1970 on which it was last over a salt jar or calibrated.

    One counts as checked on the day of hanging, when it is new (a convention). A mark counts that names it:
    one of all gauges is of those that measure the door.
    """
    inputs = seen.inputs
    days = []
    names = [one.channel for one in inputs.door.built.gauges if one.kind == "air_rh"]
    for name in [one for one in names if one in inputs.door.channels]:
        marks = [
            one.t_ms // told.DAY_MS
            for one in inputs.marks
            if one.kind == CHECKED and named_in(one.text, [name])
        ]
        days.append(max([inputs.hung_day, inputs.tonight.checked_day.get(name, 0), *marks]))
    return days


def _checked(seen: Seen, channel: str) -> int | None:
    """The day since 1970 of a gauge's newest check: by feeler, calibration, or a mark of it or of all."""
    days = [
        one.t_ms // told.DAY_MS
        for one in seen.inputs.marks
        if one.kind == CHECKED and (is_of_all(one.text) or named_in(one.text, [channel]))
    ]
    days += feelers.checked_days(seen, channel)
    calibrated = seen.inputs.tonight.checked_day.get(channel)
    return max([*days, *([] if calibrated is None else [calibrated])], default=None)


def _is_upset(checked: int, upset: int | None, tonight: int) -> bool:
    return upset is not None and checked <= upset and tonight - upset >= SOON_DAYS


def load_test(seen: Seen) -> list[Finding]:
    """How far the stiffness factor fell between the first load test as hung and the last, by their own doubt.

    The first one since the last repair, so that a slow fall is not lost between tests.
    """
    inputs = seen.inputs
    repaired = max((one.t_ms for one in inputs.marks if one.kind == "repaired"), default=None)
    since = "" if repaired is None else told.day_text(repaired // told.DAY_MS)
    tonight = told.day_text(inputs.hung_day + inputs.last_ended)
    tests = [one for one in hung_and_glued(inputs.tonight.tests) if since <= one.day <= tonight]
    if not tests:
        return []
    about, last = inputs.door.name, tests[-1]
    if len(tests) < 2:
        return [Finding(topic="test", about=about, evidence={"factor": last.f_k}, unjudged=ONE_TEST)]
    first = tests[0]
    at_bound = bool(first.beyond or last.beyond)
    fall = float((np.log(first.f_k) - np.log(last.f_k)) / np.hypot(first.sd_ln, last.sd_ln))
    evidence = {
        "fall_sd": None if at_bound else fall,
        "at_bound": at_bound,
        "factor": last.f_k,
        "factor_low": last.low,
        "factor_high": last.high,
        "factor_before": first.f_k,
        "tested": last.day,
        "tested_before": first.day,
    }
    unjudged = AT_BOUND if at_bound else None
    return [Finding(topic="test", about=about, evidence=evidence, unjudged=unjudged)]

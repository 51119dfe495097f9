"""What is found of steps that nobody logged, and of slams; what earlier looks found is kept in mind."""

from collections.abc import Iterable, Mapping

from server.doors.marks import NOTICED, Mark, is_of_all, named_in
from server.inspection.found import told
from server.inspection.found.feelers import is_felt_since
from server.inspection.seen import Seen
from server.inspection.values import Earlier, Finding, Jump, SeriesLook

LOGGED_WITHIN_DAYS = 7
# A refit may set a step some days off: within so many it is the same one. Source: trend, section 10.
SAME_STEP_DAYS = 10
CHECKED = "calibrated"
GONE_AS = {"found": False}
# What was felt beside a step is asked once, of the meter's readings, and kept.
FELT = ("slam_on", "slam_is_hardest")


def steps(seen: Seen, *, held_back: str | None = None) -> list[Finding]:
    """Each step of a series, and those found earlier that are not found any more.

    `held_back`: why nothing is judged tonight. A step keeps the day under which it was found first.
    """
    door, known = seen.inputs.door, _known(seen.inputs.tonight.earlier, "step")
    made: dict[str, Finding] = {}
    for one in seen.looks.values():
        name = f"{door.name}/{_inside(one.key)}"
        rests_on = told.rests_on(seen, [one.key])
        for day, size in _found(one):
            about = _same(name, day, known) or f"{name}@{told.day_text(day)}"
            evidence = {
                "found": True,
                "size": size,
                "unit": one.unit,
                "logged": _is_logged(seen.inputs.marks, day),
            }
            evidence |= {key: value for key, value in known.get(about, {}).items() if key in FELT}
            found = Finding(
                topic="step", about=about, evidence=evidence, rests_on=rests_on, unjudged=held_back
            )
            made.setdefault(about, found)
    judged = {f"{door.name}/{_inside(one.key)}" for one in seen.looks.values() if "found_steps" in one.facts}
    for about, earlier in known.items():
        if about not in made and about.partition("@")[0] in judged:
            evidence = {**earlier, **GONE_AS, "logged": _is_logged(seen.inputs.marks, _day_of(about))}
            made[about] = Finding(topic="step", about=about, evidence=evidence, unjudged=held_back)
    return list(made.values())


def slams(seen: Seen, *, held_back: str | None = None) -> list[Finding]:
    """Each instant at which gauges on different feet jumped together, and those that earlier looks found."""
    inputs = seen.inputs
    made: dict[str, Finding] = {}
    known = _known(inputs.tonight.earlier, "slam")
    found = {
        f"{inputs.door.name}@{told.day_text(one.t_ms // told.DAY_MS)}": one for one in inputs.tonight.jumps
    }
    for about in (*found, *(one for one in known if one not in found)):
        evidence = _jump(found[about]) if about in found else known[about]
        channels = evidence.get("gauges")
        names = [str(one) for one in channels] if isinstance(channels, list) else []
        made[about] = Finding(
            topic="slam",
            about=about,
            evidence={**evidence, "checked": _is_checked(seen, names, evidence.get("t_ms"), _day_of(about))},
            rests_on=told.with_ref(inputs.door.built, names),
            unjudged=held_back,
        )
    return list(made.values())


def _jump(one: Jump) -> dict[str, object]:
    return {
        "channels": len(one.channels),
        "lasts_h": one.lasts_h,
        "most_mm": one.most_mm,
        "t_ms": one.t_ms,
        "gauges": list(one.channels),
    }


def _found(one: SeriesLook) -> list[tuple[int, float]]:
    steps = one.facts.get("found_steps")
    if not isinstance(steps, list | tuple):
        return []
    return [(int(step[0]), float(step[1])) for step in steps if len(step) >= 2]


def _inside(key: str) -> str:
    """What of the door a series is of: a joint for its turn and its opening, a gauge for its gap."""
    kind, _, name = key.partition(":")
    return name if kind in ("turn", "opening", "gap") else key


def _known(earlier: Iterable[Earlier], topic: str) -> dict[str, Mapping[str, object]]:
    return {one.about: one.evidence for one in earlier if one.topic == topic}


def _same(name: str, day: int, known: Iterable[str]) -> str | None:
    """The name under which this step was found before."""
    for about in known:
        then = _day_of(about)
        if about.partition("@")[0] == name and then is not None and abs(then - day) <= SAME_STEP_DAYS:
            return about
    return None


def _day_of(about: str) -> int | None:
    return told.day_number(about.partition("@")[2])


def _is_logged(marks: Iterable[Mark], day: int | None) -> bool:
    """Whether a person marked something within a week of that day."""
    days = [one.t_ms // told.DAY_MS for one in marks if one.kind not in NOTICED]
    return day is not None and any(abs(marked - day) <= LOGGED_WITHIN_DAYS for marked in days)


def _is_checked(seen: Seen, names: Iterable[str], t_ms: object, day: int | None) -> bool:
    """Whether the gauges were checked since: by marks of later days, of all or of each, or with a feeler."""
    if isinstance(t_ms, int | float) and is_felt_since(seen, names, t_ms):
        return True
    checks = [one for one in seen.inputs.marks if one.kind == CHECKED]
    later = [one.text for one in checks if day is not None and one.t_ms // told.DAY_MS > day]
    named = {name for text in later for name in named_in(text, names)}
    return any(map(is_of_all, later)) or (bool(named) and named == set(names))

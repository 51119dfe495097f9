"""The steps that are declared of a series, and which of them are its gauge's and not the wood's."""

from collections.abc import Iterable

from server.doors.changes import GAUGE_MOVED
from server.doors.marks import Mark
from server.inspection.spans import versions_of_door
from server.inspection.values import DoorInputs

# What a person does to a leaf or its joints, and to gauges alone.
OF_THE_LEAF = ("eased", "planed", "hinge packed", "rehung", "repaired", "joint repaired")
OF_GAUGES = (GAUGE_MOVED, "gauge changed")
DAY_MS = 86_400_000


def declared_steps(
    inputs: DoorInputs, gauges: Iterable[str], anew: Iterable[int]
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Days since hanging on which a series may have stepped, and those of them that are of its gauges.

    gauges: that it was ever read by; anew: days of versions at which it was begun anew, nothing having been
    measured across. A gauge that was moved is a step of the series that it is read by, and of no other; one
    that was replaced and tied is none.
    """
    of_gauge = {day for day in anew if day > 0}
    steps = set(of_gauge)
    versions = {
        one.day - inputs.hung_day for one in versions_of_door(inputs.door) if one.because == GAUGE_MOVED
    }
    for mark in inputs.marks:
        day = mark.t_ms // DAY_MS - inputs.hung_day
        if day <= 0:
            continue
        if mark.kind in OF_THE_LEAF:
            steps.add(day)
        elif mark.kind in OF_GAUGES and day not in versions and _is_of(inputs, mark, set(gauges)):
            steps.add(day)
            of_gauge.add(day)
    return tuple(sorted(steps)), tuple(sorted(of_gauge))


def _is_of(inputs: DoorInputs, mark: Mark, gauges: set[str]) -> bool:
    """Whether a mark is of any of these gauges: those it names, or all where it names none."""
    known = {gauge.channel for one in versions_of_door(inputs.door) for gauge in one.built.gauges}
    named = {name for name in known if name in mark.text}
    return not named or bool(named & gauges)

"""The steps that a cause may stand on: one line each, as data. Pure."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from server.alerts import judging as door
from server.alerts import judging_house as house
from server.alerts.verdicts import Evidence, Limits, Verdict

Weight = Literal["note", "soon", "today"]
Judge = Callable[[Evidence, Limits], Verdict]

NEWS = "news"
LAPSING = ("step", "slam")
# Looked at each hour as well, their counts in looks.
HOURLY_TOPICS = frozenset({"disk", "intake", "channel", "access"})
# Steps that put a gauge in doubt: what rests on it is held back.
DOUBTING = ("gauge_doubt", "gauge_converter")


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A step that a cause may stand on. `rank`: its order in the topic; counts are nights judged running."""

    code: str
    topic: str
    rank: int
    weight: Weight
    nights: int
    clear: int
    verdict: Judge


def steps_of(topic: str, about: str) -> list[Step]:
    """The steps that a cause may stand on; of news the one that its name tells."""
    if topic == NEWS:
        code = about.rpartition("/")[2].partition("@")[0]
        return [STEPS[code]] if code in STEPS and STEPS[code].topic == NEWS else []
    return [step for step in STEPS.values() if step.topic == topic]


_ROWS: tuple[tuple[str, str, int, Weight, int, int, Judge], ...] = (
    # code, topic, rank, weight, nights to raise, nights to clear, judged by
    ("joint_watch", "joint", 1, "note", 7, 30, door.joint_watch),
    ("joint_opening", "joint", 2, "soon", 7, 30, door.joint_opening),
    ("joint_open", "joint", 3, "today", 7, 30, door.joint_open),
    ("leaf_set", "leaf", 1, "soon", 14, 60, door.leaf_set),
    ("leaf_over", "leaf", 2, "soon", 7, 30, door.leaf_over),
    ("frame_forecast", "frame", 1, "note", 14, 30, door.frame_forecast),
    ("frame_near", "frame", 2, "soon", 3, 14, door.frame_near),
    ("frame_close", "frame", 3, "soon", 2, 7, door.frame_close),
    ("frame_rubs", "frame", 4, "soon", 2, 3, door.frame_rubs),
    ("step_unlogged", "step", 1, "soon", 3, 7, door.step_unlogged),
    ("slam", "slam", 1, "soon", 1, 1, door.slam),
    ("gauge_off", "gauge", 1, "soon", 1, 1, house.gauge_off),
    ("gauge_still", "gauge", 2, "soon", 14, 7, house.gauge_still),
    ("gauge_wet", "gauge", 3, "soon", 3, 2, house.gauge_wet),
    ("gauge_converter", "gauge", 4, "soon", 1, 14, house.gauge_converter),
    ("gauge_doubt", "gauge", 5, "soon", 3, 14, house.gauge_doubt),
    ("gauge_out", "gauge", 6, "soon", 2, 1, house.gauge_out),
    ("check_due", "check", 1, "note", 1, 1, door.check_due),
    ("node_silent", "heard", 1, "soon", 1, 1, house.node_silent),
    ("site_silent", "site", 1, "soon", 1, 1, house.site_silent),
    ("battery_low", "battery", 1, "soon", 3, 3, house.battery_low),
    ("clock_undated", "clock", 1, "note", 3, 7, house.clock_undated),
    ("clock_suspect", "clock", 2, "soon", 1, 7, house.clock_suspect),
    ("node_twin", "twin", 1, "soon", 1, 7, house.node_twin),
    ("packs_held", "held", 1, "soon", 1, 1, house.packs_held),
    ("packs_expiring", "held", 2, "today", 1, 1, house.packs_expiring),
    ("password_old", "access", 1, "soon", 1, 1, house.password_old),
    ("node_flooding", "access", 2, "soon", 1, 1, house.node_flooding),
    ("certificate_ending", "certificate", 1, "note", 1, 1, house.certificate_ending),
    ("certificate_short", "certificate", 2, "soon", 1, 1, house.certificate_short),
    ("disk_low", "disk", 1, "soon", 1, 1, house.disk_low),
    ("disk_full", "disk", 2, "today", 1, 1, house.disk_full),
    ("backup_late", "backup", 1, "soon", 1, 1, house.backup_late),
    ("backup_bad", "backup", 2, "today", 1, 1, house.backup_bad),
    ("intake_failing", "intake", 1, "today", 1, 1, house.intake_failing),
    ("look_failed", "look", 1, "soon", 2, 1, door.look_failed),
    ("channel_failing", "channel", 1, "today", 1, 1, house.channel_failing),
    ("test_watch", "test", 1, "note", 1, 1, door.test_watch),
    ("test_softer", "test", 2, "soon", 1, 1, door.test_softer),
    ("line_soon", NEWS, 1, "note", 1, 1, door.told),
    ("line_fixed", NEWS, 1, "note", 1, 1, door.told),
    ("line_late", NEWS, 1, "soon", 1, 1, door.told),
    ("first_word", NEWS, 1, "note", 1, 1, door.told),
)
STEPS: dict[str, Step] = {
    row[0]: Step(
        code=row[0], topic=row[1], rank=row[2], weight=row[3], nights=row[4], clear=row[5], verdict=row[6]
    )
    for row in _ROWS
}

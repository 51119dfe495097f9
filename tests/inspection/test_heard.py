"""Whether a box is heard, and what it said of itself."""

from dataclasses import replace

import pytest

from server.doors.register import DoorHung
from server.inspection.heard import HEARD_SINCE, NEVER_HEARD, silence, status_of, waiting
from tests.inspection.doors import hung
from tests.inspection.found.seeing import verdicts

HOUR_MS = 3_600_000
NOW_MS = 1_800_000_000_000
ASLEEP = '{"st": "asleep", "next_s": 21600}'


@pytest.mark.parametrize(
    ("hours", "status", "overdue", "said"),
    [
        (1.0, None, False, "gone"),
        (2.5, None, False, "gone"),
        (2.6, None, True, "between"),
        (14.9, ASLEEP, False, "gone"),
        (15.1, ASLEEP, True, "between"),
        (23.9, "{", True, "between"),
        (24.0, "{", True, "holds"),
    ],
)
def test_overdue(hours: float, status: str | None, *, overdue: bool, said: str) -> None:
    door = replace(hung(), node_last_heard_ms=NOW_MS - int(hours * HOUR_MS), node_status=status)
    (one,) = silence([door], at_ms=NOW_MS)
    assert (one.topic, one.about, one.unjudged) == ("heard", "north", None)
    assert one.evidence["overdue"] is overdue
    assert one.evidence["silent_h"] == pytest.approx(hours)
    assert verdicts(one) == {"node_silent": said}


@pytest.mark.parametrize(("heard_ms", "reason"), [(None, NEVER_HEARD), (NOW_MS + 1, HEARD_SINCE)])
def test_silence_that_cannot_be_judged(heard_ms: int | None, reason: str) -> None:
    door: DoorHung = replace(hung(), node_last_heard_ms=heard_ms)
    assert [one.unjudged for one in silence([door], at_ms=NOW_MS)] == [reason]


@pytest.mark.parametrize(
    ("status", "told", "pending"),
    [
        (None, {}, 0),
        ("{", {}, 0),
        ("[1]", {}, 0),
        ('{"pend": 3}', {"pend": 3}, 3),
        ('{"pend": "3"}', {"pend": "3"}, 0),
    ],
)
def test_what_a_box_said_of_itself(status: str | None, told: dict[str, object], pending: int) -> None:
    door = replace(hung(), node_status=status)
    assert (status_of(door), waiting(door)) == (told, pending)

"""What a look says can have gone wrong at a door, topic by topic, and whether its box is heard."""

from server.inspection.found.checks import check_due, load_test
from server.inspection.found.frame import frame
from server.inspection.found.gauges import gauges
from server.inspection.found.joint import joints
from server.inspection.found.leaf import leaf
from server.inspection.found.news import news
from server.inspection.found.steps import slams, steps
from server.inspection.heard import BACK_FILL, COMING_IN, HEARD_SINCE, NEVER_HEARD, silence, waiting
from server.inspection.seen import Seen
from server.inspection.values import Finding

__all__ = ["BACK_FILL", "COMING_IN", "HEARD_SINCE", "NEVER_HEARD", "door_findings", "silence", "waiting"]


def door_findings(seen: Seen) -> tuple[Finding, ...]:
    """Everything that can be said of a door tonight; what can't be judged says why.

    A series that the kit does not have is left out of the evidence. While older readings come in, nothing is
    judged by them, and nothing is told.
    """
    held_back = COMING_IN if waiting(seen.inputs.door) >= BACK_FILL else None
    return (
        *joints(seen, held_back=held_back),
        *leaf(seen, held_back=held_back),
        *frame(seen, held_back=held_back),
        *steps(seen, held_back=held_back),
        *slams(seen, held_back=held_back),
        *gauges(seen, held_back=held_back),
        *check_due(seen),
        *load_test(seen),
        *(news(seen) if held_back is None else ()),
    )

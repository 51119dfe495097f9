"""Laws of composing over random yards: no cause twice in a message, and nothing pressing stays unsaid."""

from datetime import date, timedelta

import numpy as np
import pytest

from server.alerts.delivery.composing import plan
from server.alerts.delivery.facts import AlertFacts, Night, Post
from tests.alerts.delivery.ledger_of_cases import Reader, Yard, owed_of

FIRST = date(2027, 3, 1)  # a Monday
NIGHTS, YARDS = 70, 40
LEAST = ("note", "soon", "today")
STEPS = {
    "joint": ["joint_watch", "joint_opening", "joint_open"],
    "leaf": ["leaf_set", "leaf_over"],
    "heard": ["node_silent"],
}
CAUSES = ["joint:a/lock-hinge", "joint:b/lock-hinge", "leaf:a", "heard:a", "heard:b"]


def happening(rng: np.random.Generator, yard: Yard, cause: str, slot: str) -> list[str] | None:
    """What tonight does to a cause, if anything: as a ledger would, never twice the same."""
    steps = STEPS[cause.partition(":")[0]]
    alert = yard.alerts.get(yard.causes.get(cause, 0))
    step = str(rng.choice(steps))
    if alert is None:
        return [slot, "raised", step, cause]
    if alert.ended is not None:
        recent = (date.fromisoformat(slot) - date.fromisoformat(alert.ended)).days <= 7
        return [slot, "back" if recent and alert.how == "gone" else "raised", step, cause]
    if step == alert.step:
        return [slot, "ended", step, cause, str(rng.choice(["gone", "contradicted", "person"]))]
    return [slot, "rose" if steps.index(step) > steps.index(alert.step) else "eased", step, cause]


@pytest.mark.parametrize("seed", range(YARDS))
def test_laws_of_a_random_yard(seed: int) -> None:
    rng, yard = np.random.default_rng(seed), Yard()
    readers = [
        Reader(name=least, post=Post(id=k, channel=least, least=least)) for k, least in enumerate(LEAST)
    ]
    for k in range(NIGHTS):
        slot = (FIRST + timedelta(days=k)).isoformat()
        for cause in CAUSES:
            if rng.random() < 0.2:
                yard.happens(happening(rng, yard, cause, slot) or [])
        for reader in readers:
            one_night(reader, yard, Night(slot=slot))


def one_night(reader: Reader, yard: Yard, night: Night) -> None:
    alerts = yard.as_of_tonight()
    owed = owed_of(reader, yard, alerts)
    made = plan(reader.post, owed, alerts=alerts, recent=reader.recent, night=night)
    shuffled = plan(reader.post, owed[::-1], alerts=alerts, recent=reader.recent, night=night)
    assert shuffled == made  # the order in which they are read does not matter
    assert set(made.fates) == {one.event_id for one in owed}
    lines = () if made.draft is None else made.draft.lines
    assert len({line.alert_id for line in lines}) == len(lines)  # one line a cause
    assert not any(line.alert_id in _covered(alerts) for line in lines if line.kind == "raised")
    before = len(reader.got)
    reader.takes(made, night, yard)
    assert len(reader.got) <= before + 1
    waiting = {fate for fate in made.fates.values() if fate in ("monday", "room")}
    if night.is_monday:
        assert waiting == set()  # on a Monday all is said that is not covered
    again = plan(
        reader.post,
        owed_of(reader, yard, alerts),
        alerts=alerts,
        recent=reader.recent,
        night=Night(slot=night.slot, is_fresh=False),
    )
    assert again.draft is None  # a slot composed again without news says nothing


def _covered(alerts: dict[int, AlertFacts]) -> set[int]:
    return {number for number, one in alerts.items() if one.covered and one.ended is None}


def check_known(reader: Reader, alerts: dict[int, AlertFacts], night: Night) -> None:
    """After a Monday a reader knows of each alert that stands, weighs enough and is not covered."""
    if not night.is_monday:
        return
    heavy = {"note": ("note", "soon", "today"), "soon": ("soon", "today"), "today": ("today",)}
    known: dict[int, bool] = {}
    for message in reader.recent:
        for line in message.lines:
            known[line.alert_id] = line.kind not in ("ended", "passed", "over", "contradicted")
    for number, alert in alerts.items():
        if alert.ended is None and not alert.covered and alert.weight in heavy[reader.post.least]:
            assert known.get(number), (alert, night)

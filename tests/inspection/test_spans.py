"""The days of each version; the day of a change is in none."""

from dataclasses import replace

import numpy as np

from server.inspection.spans import ever_trended, spans_of, trended_gauges, versions_of_door
from tests.inspection.changed import changed
from tests.inspection.doors import Truth, hung, made_inputs, one_gauge


def test_a_door_without_versions_is_one_span() -> None:
    inputs = made_inputs(Truth(years=0.3), hung())
    (span,) = spans_of(inputs)
    assert span.within(inputs.day).all()
    assert (span.version.because, span.bedding_days) == ("hung", 14)


def test_days_between_changes() -> None:
    door = changed(changed(hung(), 40, "rehung"), 80, "gauge-moved", moved=("latch-top",))
    inputs = made_inputs(Truth(years=0.3), door)
    spans = spans_of(inputs)
    days = [
        (int(own[0]), int(own[-1])) for span in spans if (own := inputs.day[span.within(inputs.day)]).size
    ]
    assert days == [(0, 39), (41, 79), (81, int(inputs.day[-1]))]
    assert [span.bedding_days for span in spans] == [14, 14, 0]


def test_what_is_changed_later_is_not_known_yet() -> None:
    door = changed(hung(), 40, "rehung")
    early = made_inputs(Truth(years=0.1), door)
    assert int(early.day[-1]) < 40
    assert [span.version.because for span in spans_of(early)] == ["hung"]
    empty = replace(early, day=np.zeros(0, np.int64))
    assert len(spans_of(empty)) == 1


def test_gauges_of_every_version() -> None:
    door = one_gauge()
    gauges = tuple(
        replace(one, channel="droop-new") if one.channel == "droop" else one for one in door.built.gauges
    )
    later = changed(door, 40, "gauge-moved", built=replace(door.built, gauges=gauges), moved=("droop-new",))
    assert trended_gauges(later.built) == ("droop-new",)
    assert ever_trended(later) == ("droop-new", "droop")
    assert ever_trended(door) == ("droop",)
    assert [one.because for one in versions_of_door(later)] == ["hung", "gauge-moved"]

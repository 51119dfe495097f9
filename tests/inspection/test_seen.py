"""What a look hands to its findings."""

import pytest

from server.inspection import look as looking
from server.inspection.seen import Seen
from server.inspection.values import Finding
from tests.inspection.doors import Truth, made_inputs, one_joint


def test_a_look_hands_over_all_that_it_made(monkeypatch: pytest.MonkeyPatch) -> None:
    handed: list[Seen] = []

    def findings(seen: Seen) -> tuple[Finding, ...]:
        handed.append(seen)
        return ()

    monkeypatch.setattr(looking, "door_findings", findings)
    inputs = made_inputs(Truth(years=0.3), one_joint())
    inspection = looking.watched_look(inputs, {}).inspection
    (seen,) = handed
    assert seen.inputs is inputs
    assert seen.line is not None
    assert seen.moisture is not None
    assert [one.key for one in seen.made] == list(seen.looks)
    assert list(seen.looks.values()) == list(inspection.series)


def test_before_anything_is_heard_there_is_no_line() -> None:
    seen = Seen(inputs=made_inputs(Truth(years=0.1), one_joint()), looks={})
    assert (seen.line, seen.moisture, seen.made) == (None, None, ())

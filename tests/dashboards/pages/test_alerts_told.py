"""What happened to an alert, and whether messages pass, in sentences."""

import pytest

from dashboards.pages import words
from dashboards.pages.alerts_told import NO_CHANNEL, event_lines, held_words, way_notes
from server.alerts.delivery.failing import Way
from server.alerts.ledger import Happened
from tests.dashboards import yard

NB = words.NBSP


def happened(kind: str, **given: str | None) -> Happened:
    usual = {
        "slot": "2026-11-24",
        "word": "Joint opening",
        "detail": "",
        "say": "",
        "words": None,
        "by": None,
    }
    return Happened(at=yard.NOW, kind=kind, **{**usual, **given})  # type: ignore[arg-type]  # a table of named values


@pytest.mark.parametrize(
    ("event", "said"),
    [
        (happened("raised", say="It moved."), "Raised: Joint opening. It moved."),
        (
            happened("raised", detail="since 2026-11-08"),
            f"Raised, since 8{NB}November{NB}2026: Joint opening.",
        ),
        (happened("rose"), "Worse: Joint opening."),
        (happened("frozen", detail="gauge in doubt"), "Held back: gauge in doubt."),
        (happened("thawed"), "Judged again."),
        (happened("seen", by="keeper"), "Seen by the keeper."),
        (
            happened("left", detail="2026-12-24", by="command"),
            f"Left until 24{NB}December{NB}2026 by a command.",
        ),
        (happened("ended", detail="gone"), "Ended: Its reason went away"),
        (happened("ended", detail="person", words="Reglued.", by="keeper"), "Ended by the keeper: Reglued."),
        (happened("carries", detail="Not said meanwhile: lock rail."), "Not said meanwhile: lock rail."),
    ],
)
def test_events_in_words(event: Happened, said: str) -> None:
    assert event_lines([event], yard.ZONE) == [(f"24{NB}November{NB}2026", said)]


def test_held_back_is_said_with_its_reason() -> None:
    assert held_words(yard.alert()) is None
    one = yard.alert(held="held back: gauge in doubt since 11 November 2026")
    assert held_words(one) == (
        "Held back: gauge in doubt since 11 November 2026. It stands until it is judged again."
    )


def way(**given: object) -> Way:
    usual: dict[str, object] = {"channel": "hook", "failing_h": 0.0, "is_refused": False, "waiting": 0}
    return Way(**{**usual, "last_word": "", **given})  # type: ignore[arg-type]  # a table of named values


def test_notes_of_messages() -> None:
    assert way_notes([]) == [NO_CHANNEL]
    assert way_notes([way(), way(failing_h=0.9)]) == []
    (note,) = way_notes([way(failing_h=1.0, waiting=2, last_word="busy 503")])
    assert note == (
        "Messages do not pass by hook for 1 hour. Last word: busy 503. 2 wait. "
        "hangtrue notice test hook tries it."
    )

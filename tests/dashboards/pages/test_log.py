"""The log of marks."""

from datetime import timedelta

from dashboards.pages import words
from dashboards.pages.log import KINDS, log_of
from server.doors.marks import KINDS as MARK_KINDS
from server.doors.marks import NOTICED, Mark
from tests.dashboards import yard

NB = words.NBSP


def test_newest_first_with_the_hanging_and_the_line() -> None:
    made = int((yard.NOW - timedelta(days=10)).timestamp() * 1000)
    log = log_of(yard.told(), [Mark(t_ms=made, kind="finish", text="Oiled both faces.", by="keeper")])
    assert [line.when for line in log] == [
        f"14{NB}November{NB}2026",
        f"22{NB}December{NB}2021",
        f"24{NB}November{NB}2021",
    ]
    assert log[0].text == "Finish renewed: Oiled both faces."
    assert log[0].drawing == "finished"
    assert log[1].text == f"Hung line fixed, from the readings since 8{NB}December{NB}2021."


def test_a_mark_without_words_is_named_by_its_kind() -> None:
    log = log_of(yard.told(), [Mark(t_ms=0, kind="slam", text="", by="service")])
    assert log[-1].text == "Slammed."


def test_a_mark_that_was_taken_back_says_so() -> None:
    mark = Mark(t_ms=0, kind="hung", text="", by="command", taken_back=yard.NOW)
    log = log_of(yard.told(), [mark])
    assert log[-1].text == f"Taken back on 24{NB}November{NB}2026: Hung."
    assert log[-2].text == "Hung."


def test_every_kind_of_mark_has_its_drawing_and_word() -> None:
    assert set(MARK_KINDS + NOTICED) <= set(KINDS)

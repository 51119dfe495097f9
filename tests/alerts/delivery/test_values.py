"""What is kept of an answer."""

from typing import get_args

import pytest

from server.alerts.delivery.values import Answer, Failed, Later, Refused, Secret, Sent, Word, said_word


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (Sent(), "sent"),
        (Refused("refused", 550), "refused 550"),
        (Failed("no answer"), "no answer"),
        (Later(30.0), "busy"),
        (Later(30.0, "busy", 429), "busy 429"),
    ],
)
def test_a_word_and_a_number_at_most(answer: Answer, said: str) -> None:
    assert said_word(answer) == said


def test_the_list_of_words_is_closed() -> None:
    words = {"refused", "not allowed", "no answer", "no name", "certificate", "too slow", "busy"}
    assert set(get_args(Word)) == words


def test_a_secret_is_not_printed() -> None:
    assert "hunter2" not in f"{Secret('hunter2')} {Secret('hunter2')!r}"
    assert not hasattr(Secret("hunter2"), "__dict__")

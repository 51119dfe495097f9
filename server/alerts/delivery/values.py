"""What a channel is handed and what it answers; secrets that do not show themselves."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

# The closed list: nothing else about a failure is stored, shown or logged.
Word = Literal["refused", "not allowed", "no answer", "no name", "certificate", "too slow", "busy"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """One message as it goes out. `key` is the same at every try; `follows` is the key of an earlier one.

    `said` is the list of what is said, for machines. `to` is a mail address where the channel needs one.
    """

    key: str
    kind: str
    subject: str
    body: str
    said: tuple[Mapping[str, object], ...] = ()
    follows: str | None = None
    to: str | None = None


@dataclass(frozen=True, slots=True)
class Sent:
    """The other side has taken it."""


@dataclass(frozen=True, slots=True)
class Refused:
    """A flat refusal: trying again is of no use. `code` is the other side's number."""

    word: Word
    code: int | None = None


@dataclass(frozen=True, slots=True)
class Later:
    """The other side asks for a wait."""

    seconds: float
    word: Word = "busy"
    code: int | None = None


@dataclass(frozen=True, slots=True)
class Failed:
    """It did not pass, or nobody knows whether it did."""

    word: Word
    code: int | None = None


Answer = Sent | Refused | Later | Failed


class Channel(Protocol):
    """A way to a person. Two posts may have one, and are tried side by side."""

    def send(self, notice: Notice) -> Answer:
        """Try once. Raises nothing that the other side could cause."""
        ...


class Secret:
    """A text that is not printed by accident."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def __repr__(self) -> str:
        return "Secret(…)"

    def reveal(self) -> str:
        """The text itself, for the one place that sends it."""
        return self._text


def said_word(answer: Answer) -> str:
    """What is kept of an answer: `sent`, or a word of the closed list and a number at most."""
    if isinstance(answer, Sent):
        return "sent"
    return answer.word if answer.code is None else f"{answer.word} {answer.code}"

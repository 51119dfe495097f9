"""Fields of a declaration read one by one; what cannot be used is refused with the field's name."""

import re
import unicodedata
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import date

from server.trials.canonical import normal
from server.trials.refusals import DeclarationError

LONGEST = 200
DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
DECIMAL = re.compile(r"(0|[1-9][0-9]{0,8})(\.[0-9]{1,9})?")


class Fields:
    """One object of a declaration, and which of its keys were asked for."""

    def __init__(self, tree: Mapping[str, object], *, where: str) -> None:
        self.tree, self.where = tree, where
        self._asked: set[str] = set()

    def has(self, key: str) -> bool:
        """Whether the key is there with a value."""
        return self.tree.get(key) is not None

    def text(self, key: str, *, default: str | None = None) -> str:
        """Text on one line, 1 to 200 letters, in NFC."""
        value = self._take(key, default)
        if isinstance(value, str):
            plain = normal(value)
            if plain == default or (plain.strip() and len(plain) <= LONGEST and _is_line(plain)):
                return plain
        raise self._wrong(key, f"text on one line of 1 to {LONGEST} letters", value)

    def texts(self, key: str) -> list[str]:
        """A list of one text or more."""
        value = self._take(key, None)
        if isinstance(value, list) and value:
            inner = Fields({str(place): one for place, one in enumerate(value)}, where=self._name(key))
            return [inner.text(str(place)) for place in range(len(value))]
        raise self._wrong(key, "a list of names", value)

    def choice(self, key: str, known: Sequence[str]) -> str:
        """One of `known`."""
        value = self._take(key, None)
        if isinstance(value, str) and value in known:
            return value
        raise self._wrong(key, f"one of {', '.join(known)}", value)

    def constant(self, key: str, only: str) -> str:
        """The one value that there is, which may be left out."""
        if (value := self._take(key, only)) != only:
            raise self._wrong(key, f"{only}, the one that there is", value)
        return only

    def decimal(self, key: str, *, default: str | None = None) -> str:
        """A number above 0 as text, which is kept as it was written."""
        return self._decimal(key, self._take(key, default))

    def decimals(self, key: str, count: int) -> str | list[str] | None:
        """One such number, or a list of as many as there are joints; None where none is known."""
        value = self._take(key, default=None)
        if value is None:
            return None
        numbers = value if isinstance(value, list) else [value]
        if len(numbers) != count:
            raise self._wrong(key, f"{count}, one for each joint", value)
        texts = [self._decimal(key, one) for one in numbers]
        return texts if count > 1 else texts[0]

    def whole(self, key: str) -> int:
        """A whole number above 0."""
        value = self._take(key, None)
        if isinstance(value, int) and not isinstance(value, bool) and value > 0:
            return value
        raise self._wrong(key, "a whole number above 0", value)

    def day(self, key: str) -> date:
        """A day, as such or in text: 2026-12-23."""
        value = self._take(key, None)
        text = value.isoformat() if isinstance(value, date) else value
        # a moment of a day is written longer, and is no day
        if isinstance(text, str) and DAY.fullmatch(text):
            with suppress(ValueError):
                return date.fromisoformat(text)
        raise self._wrong(key, "a day such as 2026-12-23", value)

    def inner(self, key: str) -> "Fields":
        """The fields of an object inside this one."""
        value = self._take(key, None)
        if isinstance(value, Mapping):
            return Fields(value, where=self._name(key))
        raise self._wrong(key, "a table of fields", value)

    def list_of(self, key: str, *, default: list[object] | None = None) -> list["Fields"]:
        """The fields of each object of a list."""
        value = self._take(key, default)
        if isinstance(value, list) and all(isinstance(one, Mapping) for one in value):
            return [Fields(one, where=f"{self._name(key)} {place + 1}") for place, one in enumerate(value)]
        raise self._wrong(key, "a list of tables", value)

    def refuse_others(self) -> None:
        """Raise DeclarationError for a key that nobody asked for: a misspelt one must not pass unheard."""
        if others := sorted(set(map(str, self.tree)) - self._asked):
            needed = f"no fields but {', '.join(sorted(self._asked))}"
            raise DeclarationError(self.where, needed, repr(others[0][:40]))

    def _take(self, key: str, default: object) -> object:
        self._asked.add(key)
        value = self.tree.get(key)
        return default if value is None else value

    def _decimal(self, key: str, value: object) -> str:
        if isinstance(value, str) and DECIMAL.fullmatch(value) and float(value) > 0:
            return value
        raise self._wrong(key, 'a number above 0 as text, such as "0.05"', value)

    def _name(self, key: str) -> str:
        return f"{self.where}, {key}"

    def _wrong(self, key: str, needed: str, value: object) -> DeclarationError:
        return DeclarationError(self._name(key), needed, "none" if value is None else repr(value)[:40])


def _is_line(text: str) -> bool:
    return all(unicodedata.category(one)[0] != "C" and one not in "\u2028\u2029" for one in text)

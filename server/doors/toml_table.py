"""A TOML file read key by key: every complaint is kept, with the line and the key it is about."""

import math
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from difflib import get_close_matches

from server.errors import FileError

Path = tuple[str | int, ...]
HEAD = re.compile(r"^\s*(\[\[?)\s*([^\]#]+?)\s*\]\]?\s*(?:#.*)?$")
KEY = re.compile(
    r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*="""
)
PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")


@dataclass(slots=True, kw_only=True)
class Sheet:
    """One file being read: where its keys stand, and what was found wrong so far."""

    where: str
    lines: dict[Path, int]
    complaints: list[tuple[int, str]] = field(default_factory=list)
    warnings: list[tuple[int, str]] = field(default_factory=list)

    def line_of(self, path: Path) -> int:
        """The line of a key, else of the nearest table about it."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path, 1)

    def said(self, path: Path, sentence: str) -> tuple[int, str]:
        """One sentence with file, line and key before it."""
        line = self.line_of(path)
        name = ".".join(part for part in path if isinstance(part, str))
        return line, f"{self.where}:{line} {name[:60]}: {sentence}"


class Table:
    """One table of a sheet. Each reader gives a value, or complains and gives one that is let pass."""

    def __init__(self, sheet: Sheet, tree: dict[str, object], path: Path = ()) -> None:
        self.sheet, self.tree, self.path = sheet, tree, path
        self._asked: dict[str, None] = {}

    def number(self, key: str, low: float, high: float, *, default: float | None = None) -> float:
        """A number from `low` to `high`; nan where it cannot be used."""
        value = self._take(key, f"a number from {low:g} to {high:g}", default)
        return math.nan if value is None else self._in_range(key, value, low, high)

    def maybe(self, key: str, low: float, high: float) -> float | None:
        """A number that may be left out."""
        self._asked[key] = None
        return self.number(key, low, high) if key in self.tree else None

    def numbers(self, key: str, low: float, high: float) -> tuple[float, ...]:
        """A list of numbers from `low` to `high`."""
        value = self._take(key, f"a list of numbers from {low:g} to {high:g}", None)
        if value is None:
            return ()
        if not isinstance(value, list) or not value:
            self.complain(key, f"{_shown(value)} came, a list of numbers is needed")
            return ()
        return tuple(self._in_range(key, one, low, high) for one in value)

    def text(self, key: str, *, default: str | None = None, longest: int = 200) -> str:
        """Text on one line."""
        value = self._take(key, "text", default)
        if value is None:
            return ""
        if (
            not isinstance(value, str)
            or not _is_line(value, longest)
            or (not value.strip() and default != "")
        ):
            self.complain(key, f"{_shown(value)} came, text on one line of 1 to {longest} letters is needed")
            return ""
        return value

    def choice(self, key: str, known: Sequence[str], *, default: str | None = None) -> str:
        """One of `known`; empty where it is none."""
        value = self._take(key, f"one of {', '.join(known)}", default)
        if value is None or value in known:
            return str(value or "")
        near = get_close_matches(str(value), known, n=1)
        hint = f"; did you mean {near[0]}?" if near else ""
        self.complain(key, f"{_shown(value)} came, one of {', '.join(known)} is needed{hint}")
        return ""

    def flag(self, key: str, *, default: bool | None = None) -> bool:
        """True or false."""
        value = self._take(key, "true or false", default)
        if value is not None and not isinstance(value, bool):
            self.complain(key, f"{_shown(value)} came, true or false is needed")
        return value is True

    def moment(self, key: str) -> datetime | None:
        """A day and time with its zone."""
        needed = "a day and time with its zone, such as 2026-03-01T12:00:00Z,"
        value = self._take(key, needed.rstrip(","), None)
        if value is None or (isinstance(value, datetime) and value.tzinfo is not None):
            return value if isinstance(value, datetime) else None
        self.complain(key, f"{_shown(str(value))} came, {needed} is needed")
        return None

    def table(self, key: str, *, needed: bool = True) -> "Table":
        """A table inside this one; empty where it is not there."""
        value = self._take(key, f"a table [{key}]", None if needed else {})
        if value is not None and not isinstance(value, dict):
            self.complain(key, f"{_shown(value)} came, a table is needed")
        return Table(self.sheet, value if isinstance(value, dict) else {}, (*self.path, key))

    def tables(self, key: str, *, least: int = 0) -> list["Table"]:
        """The tables of an array of tables, at least so many."""
        value = self._take(key, f"at least one [[{key}]]", [] if least == 0 else None)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
            self.complain(key, f"{_shown(value)} came, tables [[{key}]] are needed")
            return []
        if len(value) < least:
            self.complain(key, f"{len(value)} came, at least {least} are needed")
        return [Table(self.sheet, one, (*self.path, key, number)) for number, one in enumerate(value)]

    def keys(self) -> list[str]:
        """The keys that are there; all of them count as asked for."""
        self._asked |= dict.fromkeys(self.tree)
        return list(self.tree)

    def close(self) -> None:
        """Complain of each key that nobody asked for, naming the nearest that is known."""
        for key in self.tree:
            if key not in self._asked:
                near = get_close_matches(key, self._asked, n=1)
                hint = f"; did you mean {near[0]}?" if near else f"; known are {', '.join(self._asked)}"
                self.complain(key, f"no such key{hint}")

    def complain(self, key: str | None, sentence: str) -> None:
        """Keep a complaint about a key of this table, or about the table."""
        self.sheet.complaints.append(self.sheet.said(self._at(key), sentence))

    def warn(self, key: str | None, sentence: str) -> None:
        """Keep a warning: the file can be used, and a person should know."""
        self.sheet.warnings.append(self.sheet.said(self._at(key), sentence))

    def _at(self, key: str | None) -> Path:
        return self.path if key is None else (*self.path, key)

    def _take(self, key: str, needed: str, default: object) -> object:
        self._asked[key] = None
        if key not in self.tree and default is None:
            self.complain(key, f"nothing came, {needed} is needed")
        return self.tree.get(key, default)

    def _in_range(self, key: str, value: object, low: float, high: float) -> float:
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        if is_number and low <= float(value) <= high:  # type: ignore[arg-type]  # it is a number
            return float(value)  # type: ignore[arg-type]
        self.complain(key, f"{_shown(value)} came, a number from {low:g} to {high:g} is needed")
        return math.nan


def open_sheet(text: str, where: str) -> Table:
    """The root table of a TOML text. Raises FileError when it is not TOML."""
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"line (\d+)", str(error))
        complaint = f"{where}:{line[1] if line else len(text.splitlines())}: {error}"
        raise FileError(f"read {where}", "TOML", [complaint]) from None
    return Table(Sheet(where=where, lines=lines_of(text)), tree)


def lines_of(text: str) -> dict[Path, int]:
    """The line of each table and key of a TOML text; `("rail", 1, "axis_mm")` is of the second [[rail]]."""
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    here: Path = ()
    for number, line in enumerate(text.splitlines(), 1):
        if head := HEAD.match(line):
            here = _opened(head, counts)
            lines.setdefault(here, number)
            lines.setdefault(here[:-1] if head[1] == "[[" else here, number)
        elif key := KEY.match(line):
            lines.setdefault((*here, *_parts(key[1])), number)
    return lines


def _opened(head: re.Match[str], counts: dict[Path, int]) -> Path:
    path: Path = ()
    parts = _parts(head[2])
    for depth, part in enumerate(parts):
        path = (*path, part)
        if head[1] == "[[" and depth == len(parts) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _parts(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in PART.findall(dotted)]


def _is_line(text: str, longest: int) -> bool:
    return len(text) <= longest and text.isprintable()


def _shown(value: object) -> str:
    return f"{value!r:.40}"

"""Doors' files for tests: the examples, changed in one place."""

from server.doors.example import example_text
from server.doors.file import DoorFile, read_door


def read(text: str, where: str = "north.toml") -> DoorFile:
    return read_door(text, where=where)


def line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


def changed(name: str, before: str, after: str) -> str:
    text = example_text(name)
    assert before in text
    return text.replace(before, after, 1)

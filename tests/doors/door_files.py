"""Doors' files for tests: the examples, changed in one place."""

from collections.abc import Callable

import pytest

from server.doors.example import example_text
from server.doors.file import DoorFile, read_door
from server.errors import FileError


def read(text: str, where: str = "north.toml") -> DoorFile:
    return read_door(text, where=where)


def line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


def changed(name: str, before: str, after: str) -> str:
    text = example_text(name)
    assert before in text
    return text.replace(before, after, 1)


def complaint_of(reader: Callable[..., object], example: str, before: str, after: str) -> str:
    """What a reader of files says of its example with one part changed; it must refuse it."""
    assert before in example
    with pytest.raises(FileError) as caught:
        reader(example.replace(before, after, 1), where="file.toml")
    return str(caught.value)

"""The reader of TOML: where each key stands, and what it says of one that cannot be used."""

import math

import pytest

from server.doors.toml_table import Table, lines_of, open_sheet
from server.errors import FileError

TEXT = """\
[door]
name = "north"   # a comment
"width" = 5

[[rail]]
name = "a"
[rail.joint_hinge]
kind = "x"

[[rail]]
[rail.joint_hinge]
at = [
  1,
  2,
]
last.part = 3
"""


def complaints(root: Table) -> list[str]:
    return [said for _, said in root.sheet.complaints]


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("door",), 1),
        (("door", "name"), 2),
        (("door", "width"), 3),
        (("rail",), 5),
        (("rail", 0), 5),
        (("rail", 0, "name"), 6),
        (("rail", 0, "joint_hinge", "kind"), 8),
        (("rail", 1), 10),
        (("rail", 1, "joint_hinge"), 11),
        (("rail", 1, "joint_hinge", "at"), 12),
        (("rail", 1, "joint_hinge", "last", "part"), 16),
    ],
)
def test_each_key_has_its_line(path: tuple[str | int, ...], line: int) -> None:
    assert lines_of(TEXT)[path] == line


@pytest.mark.parametrize(
    ("line", "needed"),
    [
        ("", "nothing came, a number from 1 to 9 is needed"),
        ("size = 10", "10 came, a number from 1 to 9 is needed"),
        ("size = true", "True came, a number from 1 to 9 is needed"),
        ("size = nan", "nan came, a number from 1 to 9 is needed"),
        ('size = "5"', "'5' came, a number from 1 to 9 is needed"),
    ],
)
def test_a_number_is_asked_for_in_its_range(line: str, needed: str) -> None:
    root = open_sheet(line, "north.toml")
    assert math.isnan(root.number("size", 1, 9))
    assert complaints(root) == [f"north.toml:1 size: {needed}"]


def test_a_number_in_its_range_passes() -> None:
    root = open_sheet("size = 9", "x")
    assert (root.number("size", 1, 9), complaints(root)) == (9.0, [])


@pytest.mark.parametrize("text", ['"two\\nlines"', '"   "', '"bell \\u0007"', "7"])
def test_text_that_is_not_one_line_is_refused(text: str) -> None:
    root = open_sheet(f"name = {text}", "x")
    assert root.text("name") == ""
    assert "text on one line of 1 to 200 letters is needed" in complaints(root)[0]


def test_a_choice_names_the_nearest() -> None:
    root = open_sheet('kind = "rigd"', "x")
    assert root.choice("kind", ("rigid", "leans")) == ""
    assert complaints(root) == ["x:1 kind: 'rigd' came, one of rigid, leans is needed; did you mean rigid?"]


def test_a_key_that_nobody_asked_for_is_named_with_the_nearest() -> None:
    root = open_sheet("\nwidht_mm = 4\nzzz = 1", "x")
    root.number("width_mm", 1, 9, default=2)
    root.close()
    assert complaints(root) == [
        "x:2 widht_mm: no such key; did you mean width_mm?",
        "x:3 zzz: no such key; known are width_mm",
    ]


@pytest.mark.parametrize("moment", ["2026-03-01", "2026-03-01T12:00:00", '"2026-03-01T12:00:00Z"'])
def test_a_moment_without_a_zone_is_refused(moment: str) -> None:
    root = open_sheet(f"hung = {moment}", "x")
    assert root.moment("hung") is None
    assert "a day and time with its zone" in complaints(root)[0]


@pytest.mark.parametrize(("text", "came"), [("flag = 1", "1 came"), ("", "nothing came")])
def test_a_flag_is_true_or_false(text: str, came: str) -> None:
    root = open_sheet(text, "x")
    assert root.flag("flag") is False
    assert came in complaints(root)[0]


def test_a_flag_that_is_one_passes() -> None:
    root = open_sheet("flag = true", "x")
    assert (root.flag("flag"), root.flag("other", default=False), complaints(root)) == (True, False, [])


def test_tables_where_others_came_are_complaints() -> None:
    root = open_sheet("rail = 1\ndoor = 2\nat = 3", "x")
    assert (root.tables("rail", least=1), root.table("door").tree, root.numbers("at", 0, 1)) == ([], {}, ())
    assert [said.partition(":")[2] for said in complaints(root)] == [
        "1 rail: 1 came, tables [[rail]] are needed",
        "2 door: 2 came, a table is needed",
        "3 at: 3 came, a list of numbers is needed",
    ]


def test_too_few_tables_are_a_complaint() -> None:
    root = open_sheet("[[rail]]", "x")
    assert len(root.tables("rail", least=2)) == 1
    assert complaints(root) == ["x:1 rail: 1 came, at least 2 are needed"]


def test_what_is_not_toml_is_refused_with_its_line() -> None:
    with pytest.raises(FileError) as caught:
        open_sheet("a = 1\nb = = 2", "north.toml")
    assert caught.value.complaints[0].startswith("north.toml:2: ")

"""Names and notes: what a screen could be fooled by does not pass."""

import pytest

from server.doors.names import name_fault, note_fault, split_ref


@pytest.mark.parametrize(
    "name",
    ["North", "O'Neill’s gate (2)", "Größe", "باب", "Cafe\u0301", "A/B & C, no. 3", "e\u0323\u0302"],
)
def test_names_of_people_pass(name: str) -> None:
    assert name_fault(name) is None


@pytest.mark.parametrize(
    ("name", "needed"),
    [
        ("", "1 to 24 letters"),
        ("   ", "1 to 24 letters"),
        ("x" * 25, "1 to 24 letters"),
        ("a\u202eb", "without U+202E"),
        ("a\u200bb", "without U+200B"),
        ("a\nb", "without U+000A"),
        ("<b>", "without U+003C"),
        ("a\u00a0b", "without U+00A0"),
        ("tag\U000e0041", "without U+E0041"),
        ("x\u0323\u0302\u0303\u0304", "at most 2 marks"),
    ],
)
def test_hostile_names_are_refused(name: str, needed: str) -> None:
    assert needed in (name_fault(name) or "")


@pytest.mark.parametrize(
    ("note", "needed"),
    [
        ("planed 0.5 mm\noff the latch edge", None),
        (" ", "1 to 2000"),
        ("x" * 2001, "1 to 2000"),
        ("a\u202eb", "without U+202E"),
        ("a\x00b", "without U+0000"),
    ],
)
def test_notes_keep_their_lines_and_no_controls(note: str, needed: str | None) -> None:
    fault = note_fault(note)
    assert fault is None if needed is None else needed in (fault or "")


@pytest.mark.parametrize(
    ("ref", "parts"), [("north", (None, "north")), ("saltmarsh-yard/north", ("saltmarsh-yard", "north"))]
)
def test_a_reference_has_a_site_or_none(ref: str, parts: tuple[str | None, str]) -> None:
    assert split_ref(ref) == parts

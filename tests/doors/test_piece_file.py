"""The file of broken pieces: a batch, and each piece with its load, its arm and where it failed."""

import pytest

from server.doors.piece_file import EXAMPLE, read_pieces
from server.errors import FileError
from tests.doors.door_files import complaint_of


def test_the_example_is_read() -> None:
    batch, pieces = read_pieces(EXAMPLE, where="p.toml")
    assert (batch.name, batch.made, list(batch.doors)) == ("pot-3", "2026-05-02", ["north"])
    assert batch.glued
    assert (batch.joint.kind, batch.joint.width_mm, batch.rail_depth_mm) == ("mortise_tenon", 160, 200)
    assert [(one.order, one.load_n, one.failed) for one in pieces] == [(1, 2410, "glue"), (2, 2655, "wood")]
    assert pieces[0].points[0] == (250.0, 0.064)
    assert list(pieces[1].points) == []
    assert pieces[1].moisture_pct is None


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ('name = "pot-3"', 'name = "Pot 3"', "1 to 24 of a-z"),
        ('failed = "glue"', 'failed = "glu"', "did you mean glue?"),
        ("order = 2", "order = 1", "one order came twice"),
        ("order = 2", "order = 2.5", "a whole number is needed"),
        ("load_n = 2410", "load_n = 0", "a number from 1 to 200000"),
        ("0.214, 0.240]", "0.214]", "6 loads and 5 deflections came"),
        ('doors = "north"', 'doors = "north, South"', "'South' came"),
        ("depth_mm = 90", "depth_mm = 130", "no deeper than the stile"),
        ('made = "2026-05-02"', 'made = "May"', "a day such as"),
    ],
)
def test_what_cannot_be_used_is_said(before: str, after: str, said: str) -> None:
    assert said in complaint_of(read_pieces, EXAMPLE, before, after)


def test_a_file_without_pieces_is_refused() -> None:
    with pytest.raises(FileError, match=r"at least one \[\[piece\]\] is needed"):
        read_pieces(EXAMPLE.split("[[piece]]")[0], where="p.toml")

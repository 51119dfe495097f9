"""The sheet of two joints: all of it on the page, nothing fetched, nothing that could run."""

import re
from dataclasses import replace
from datetime import date

import pytest

from server.doors.joint_file import EXAMPLE, read_joint_file, side_by_side
from server.doors.joint_sheet import CAUTION, figure_words, sheet
from tests.doors.test_joint_drawing import STUB

A, B = (read_joint_file(text, where="joint.toml") for text in (EXAMPLE, STUB))


def page(shown: str = "one deep tenon") -> str:
    rows = side_by_side(A, B)
    named = replace(A, shown=shown)
    return sheet(named, B, rows, moisture_pct=-4.0, on=date(2026, 5, 2), last_line="Not known from sizes.")


def test_everything_is_on_it() -> None:
    said = page()
    assert said.count("<svg") == 2
    for part in ("one deep tenon", "stub and loose tenons", "1 : 5", "2026-05-02", "-4 %", CAUTION):
        assert part in said, part
    assert "over 100 mm it is usually split (common practice, no source)" in said
    assert said.rstrip().endswith("Not known from sizes.</p>\n</body></html>")
    assert "5 loose tenons 30 x 10, 38 in the stile" in said


def test_the_published_figures_stand_in_its_table() -> None:
    """Source: the lock rails of the two invented doors, trial, section 13."""
    cells = re.findall(r'<th>(glue faces|hold across|seasonal)[^<]*</th><td class="n">([^<]*)<', page())
    assert dict(cells) == {"glue faces": "288", "hold across": "0.9945", "seasonal": "0.3759"}


def test_nothing_is_fetched_and_names_cannot_run() -> None:
    said = page("<script>alert(1)</script>")
    assert "<script" not in said
    assert "&lt;script&gt;" in said
    addresses = set(re.findall(r"https?://[^\"' <]*", said))
    assert addresses == {"http://www.w3.org/2000/svg"}  # the name of a language, not a place
    assert not re.search(r"\b(src|href|url\(|@import)", said)
    assert "size: A4" in said


@pytest.mark.parametrize(
    ("value", "over", "said"),
    [(None, None, "not known"), (0.37593, None, "0.3759"), (71.73, (63.2, 75.1), "71.73 (63.2 to 75.1)")],
)
def test_figures(value: float | None, over: tuple[float, float] | None, said: str) -> None:
    assert figure_words(value, over) == said

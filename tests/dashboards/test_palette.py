"""Contrast by the formula of WCAG 2.2, "relative luminance" and "contrast ratio"."""

import json
import re
from pathlib import Path

import pytest

from dashboards.create_app import STATIC

PALETTE = json.loads((Path(__file__).parents[1] / "published" / "palette.json").read_text("utf-8"))["themes"]
CSS = (STATIC / "sheet.css").read_text("utf-8")
LEAST_TEXT, LEAST_EDGE = 4.5, 3.0
# Washes and the bench carry no text of every colour: stays never on season-wash, brass never on the bench.
TEXT = [
    "ink on sheet",
    "ink on inset",
    "ink2 on sheet",
    "ink2 on inset",
    "pencil on sheet",
    "season on sheet",
]
TEXT += ["season on inset", "stays on sheet", "stays on inset", "brass on sheet", "brass on inset"]
TEXT += [
    "on-fill on brass-fill",
    "brass on brass-wash",
    "ink on season-wash",
    "ink on stays-wash",
    "ink on wood",
]


def luminance(colour: str) -> float:
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def tokens(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z0-9-]+):(#[0-9A-Fa-f]{6})", block))


def css_of(theme: str) -> dict[str, str]:
    start = ":root{" if theme == "paper" else ":root[data-theme=slate]{"
    return tokens(CSS[CSS.index(start) :].split("}", 1)[0])


def test_black_on_white_is_21() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("theme", ["paper", "slate"])
def test_the_sheet_has_the_colours_of_the_palette(theme: str) -> None:
    assert css_of(theme) == {name: one["hex"] for name, one in PALETTE[theme]["tokens"].items()}


@pytest.mark.parametrize("theme", ["paper", "slate"])
def test_contrast_is_what_the_palette_says(theme: str) -> None:
    colours = css_of(theme)
    for pair, ratio in PALETTE[theme]["contrast"].items():
        front, _, behind = pair.partition(" on ")
        assert contrast(colours[front], colours[behind]) == pytest.approx(ratio, abs=0.006), pair


@pytest.mark.parametrize("theme", ["paper", "slate"])
def test_text_and_edges_can_be_seen(theme: str) -> None:
    colours = css_of(theme)
    for pair in TEXT:
        front, _, behind = pair.partition(" on ")
        assert contrast(colours[front], colours[behind]) >= LEAST_TEXT, pair
    for behind in ("sheet", "inset"):
        assert contrast(colours["edge"], colours[behind]) >= LEAST_EDGE

"""The leaf to scale, the limit bar, the interval."""

import re

import pytest

from dashboards.figures import drawing as d

LEAF = d.Leaf(
    width_mm=1050,
    height_mm=2150,
    stile_mm=120,
    rails=[d.RailSeen(axis_mm=950, depth_mm=200)],
    hinges_mm=[250],
    gauges=[d.GaugeSeen(x_mm=1050, y_mm=100, is_lost=False), d.GaugeSeen(x_mm=0, y_mm=100, is_lost=True)],
)


def test_the_latch_corner_drops_by_the_droop_sixty_times_over() -> None:
    drawn = d.elevation(LEAF, stays_mm=0.9, back_mm=0.1)
    assert drawn.leaf == "M0 0L1050 60.0L1050 2210.0L0 2150Z"
    assert drawn.dropped == "M1095 2150V2204.0"
    assert drawn.dropped_back == "M1095 2204.0V2210.0"


def test_gauges_ride_along_with_the_leaf() -> None:
    square, down = d.elevation(LEAF, stays_mm=0, back_mm=0), d.elevation(LEAF, stays_mm=1.0, back_mm=0)
    assert [b.y - a.y for a, b in zip(square.gauges, down.gauges, strict=True)] == pytest.approx([60, 0])
    assert [ring.is_lost for ring in down.gauges] == [False, True]


def test_the_leaf_is_to_scale() -> None:
    drawn = d.elevation(LEAF, stays_mm=0, back_mm=0)
    heights = {float(y) for _, y in re.findall(r"[ML](\S+) ([\d.]+)", drawn.joints)}
    assert heights == {1100.0, 1300.0}  # a rail of 200 about an axis 950 above the foot of 2150
    assert drawn.hinges == (2150 - 250 - 55,)


@pytest.mark.parametrize(
    ("stays", "season", "limit", "bar"),
    [
        (0.5, 0.25, 2.0, ("25.0%", "25.0%", "12.5%")),
        (0.1, None, 0.4, ("25.0%", "25.0%", None)),
        (3.0, 0.5, 2.0, ("100.0%", "100.0%", "0.0%")),
        (-0.2, 0.5, 2.0, ("0.0%", "0.0%", "25.0%")),
    ],
)
def test_a_bar_never_leaves_its_box(
    stays: float, season: float | None, limit: float, bar: tuple[str, str, str | None]
) -> None:
    drawn = d.bar(stays, season, limit)
    assert (drawn.stays, drawn.season_from, drawn.season) == bar


def test_an_interval_has_none_at_its_middle() -> None:
    drawn = d.interval(-0.01, 0.02, 0.05)
    assert float(drawn.low.rstrip("%")) == pytest.approx(50 - 0.01 / 0.08 * 50, abs=0.06)  # 1.6 of 0.05
    assert float(drawn.width.rstrip("%")) == pytest.approx(0.06 / 0.08 * 50, abs=0.11)
    assert d.interval(0.01, 0.02, 0.05).low > "50"


def test_the_narrower_interval_lies_in_the_wider_and_the_band_about_none() -> None:
    drawn = d.interval(-0.01, 0.02, 0.05, inner=(0.0, 0.04), band=0.04)
    assert (drawn.inner, drawn.inner_width) == ("50.0%", "25.0%")
    assert drawn.band == ("25.0%", "75.0%")
    assert d.interval(-0.01, 0.02, 0.05, band=0.5).band == ()

"""The nights of a trial as drawn."""

from dashboards.figures.nights import MOST_POINTS, Night, nights, thinned

TOLD = [
    Night(years=1 + k / 10, middle=0.05, low=0.05 - 0.4 / (1 + k), high=0.05 + 0.4 / (1 + k))
    for k in range(11)
]


def test_none_lies_across_the_middle_and_the_band_to_both_sides() -> None:
    still = nights(TOLD, horizon_years=6.0, band=0.05)
    (hung,) = [rule for rule in still.over if rule.kind == "g-hung"]
    assert (hung.y1, hung.y2) == ("50.00%", "50.00%")
    above, below = (float(rule.y1.rstrip("%")) for rule in still.over if rule.kind == "g-limit")
    assert above + below == 100
    assert {label.text for label in still.labels} >= {"1\u00a0y", "6\u00a0y", "no difference"}


def test_more_is_up_and_the_last_night_stands_where_its_year_is() -> None:
    still = nights(TOLD, horizon_years=4.0, band=0.05)
    line = next(stroke.path for stroke in still.strokes if stroke.kind == "l-stays")
    last_x, last_y = (float(one) for one in line.rpartition("L")[2].split())
    assert last_x == 485.4  # year 2 of 4, with a little room at the right
    assert last_y < still.height / 2


def test_many_nights_are_thinned_and_the_last_one_stays() -> None:
    many = [Night(years=k / 365, middle=0, low=-1, high=1) for k in range(1, 2200)]
    shown = thinned(many)
    assert len(shown) <= MOST_POINTS
    assert shown[-1] is many[-1]
    assert thinned(TOLD) == TOLD

"""The bench: the accept rule, the fit, and how far a calibrated gauge is from the truth."""

from dataclasses import replace
from typing import cast

import pytest

from sensors.sources.simulated.bench import EDGE_BLOCKS_MM, bench_record, fit_blocks
from sensors.sources.simulated.draws import stream
from sensors.sources.simulated.gauges import Gauge, draw_gauges
from tests.sensors.sources.simulated.refusals import refused

EVEN = (0.3, 0.4, 0.5, 0.6, 0.7)
Sweep = list[list[float]]


def sweeps(ratios: tuple[float, ...], *, up_down: float = 0.0) -> tuple[Sweep, Sweep]:
    ups, downs = ([[ratio + side * up_down / 2.0] * 3 for ratio in ratios] for side in (1.0, -1.0))
    return ups, downs


def shown(record: dict[str, object], ratio: float) -> float:
    """The record read as the service reads it: straight between the points, the ends carried on."""
    points = cast("list[list[float]]", record["coefficients"])
    k = max(1, min(len(points) - 1, sum(point[0] < ratio for point in points)))
    (r0, mm0), (r1, mm1) = points[k - 1], points[k]
    return mm0 + (mm1 - mm0) * (ratio - r0) / (r1 - r0)


def test_a_quadratic_gauge_is_found_exactly() -> None:
    """Blocks 0 to 4 mm by mm = 10 (r - 0.3) + 0.5 (r - 0.3)**2, ratios solved by hand from it."""
    ratios = tuple((-10.0 + (100.0 + 2.0 * mm) ** 0.5) + 0.3 for mm in EDGE_BLOCKS_MM)
    fit = fit_blocks(EDGE_BLOCKS_MM, *sweeps(ratios), stroke_mm=10.0)
    assert fit.rest_mm < 1e-12
    assert len(fit.table) == 21
    for ratio, mm in fit.table:
        assert mm == pytest.approx(10.0 * (ratio - 0.3) + 0.5 * (ratio - 0.3) ** 2, abs=1e-10)


def test_uncertainty_of_a_fit() -> None:
    fit = fit_blocks(EDGE_BLOCKS_MM, *sweeps(EVEN, up_down=0.0003), stroke_mm=10.0)
    assert fit.up_down_mm == pytest.approx(0.003)
    assert fit.sigma_mm == pytest.approx((0.003**2 / 12.0 + 0.0003**2) ** 0.5)


@pytest.mark.parametrize(
    ("ratios", "up_down", "needed", "came"),
    [
        ((0.3, 0.4, 0.5, 0.5, 0.7), 0.0, "steps that rise", "0.5"),
        ((0.3, 0.39, 0.48, 0.57, 0.66), 0.0, "stroke near 10 mm", "11.11 mm"),
        ((0.3, 0.4, 0.502, 0.6, 0.7), 0.0, "rest within 0.005 mm", "mm"),
        (EVEN, 0.00051, "up and down within 0.005 mm", "0.0051 mm"),
    ],
)
def test_refuses(ratios: tuple[float, ...], up_down: float, needed: str, came: str) -> None:
    with refused(asked="gauge blocks", needed=needed, came=came):
        fit_blocks(EDGE_BLOCKS_MM, *sweeps(ratios, up_down=up_down), stroke_mm=10.0)


def test_just_inside_the_rule_passes() -> None:
    fit_blocks(EDGE_BLOCKS_MM, *sweeps((0.3, 0.391, 0.482, 0.573, 0.664)), stroke_mm=10.0)
    fit_blocks(EDGE_BLOCKS_MM, *sweeps(EVEN, up_down=0.00049), stroke_mm=10.0)


@pytest.mark.parametrize("name", ["lock-hinge-top", "latch-top", "diag-fall"])
def test_calibrated_gauge_is_right_to_a_few_um(name: str) -> None:
    """Wave at most 0.004 mm, so within 0.006 mm over the blocks; without the record gain alone is 0.4 %."""
    for seed in range(20):
        gauge = next(g for g in draw_gauges(seed=seed, door="north") if g.name == name)
        record = bench_record(gauge, stream(seed, "bench"), shown_mm=0.0)
        span = (0.0, 0.3, 0.9, 1.4, 1.9) if gauge.stroke_mm == 5.0 else (-1.9, -1.2, 0.0, 0.7, 1.6)
        for change in span:
            assert shown(record, gauge.ratio(change)) == pytest.approx(change, abs=0.0065)


def test_record_counts_from_the_gap_as_hung() -> None:
    gauge = Gauge(name="sill-latch", nominal_mm=8.0, stroke_mm=10.0, centre=0.5, rounded=False)
    record = bench_record(gauge, stream(1, "bench"), shown_mm=8.0)
    points = cast("list[list[float]]", record["coefficients"])
    assert [ratio for ratio, _ in points] == pytest.approx([0.3 + 0.02 * i for i in range(21)], abs=1e-6)
    assert [mm for _, mm in points] == pytest.approx([6.0 + 0.2 * i for i in range(21)], abs=1e-5)
    assert (record["kind"], record["unit_out"]) == ("table", "mm")
    assert [step[0] for step in cast("list[list[float]]", record["steps"])] == [0.0, 1.0, 2.0, 3.0, 4.0]


def test_a_gauge_that_cannot_pass_is_refused_at_last() -> None:
    worn = replace(draw_gauges(seed=1, door="north")[8], wave_mm=0.05)
    with refused(asked="gauge blocks", needed="rest within"):
        bench_record(worn, stream(1, "bench"), shown_mm=3.0)

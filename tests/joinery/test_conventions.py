"""The figures on which a verdict turns, as the page that decides them has them; a figure for each source."""

from types import ModuleType

import pytest

from server.joinery import (
    bench,
    build,
    joints,
    kit,
    leaf,
    loadtest,
    pieces,
    reckoner,
    restraint,
    scatter,
    suspects,
)

FIGURES: list[tuple[ModuleType, str, object, str]] = [
    (build, "GRAVITY_M_S2", 9.80665, "joinery, section 1: standard gravity"),
    (build, "G_OVER_E", 1 / 16, "EN 384, as joinery, section 2"),
    (build, "E90_OVER_E", 0.07, "joinery, section 2, a convention"),
    (joints, "GLUE_LAYER_PA_PER_M", 4e10, "joinery, section 4, a convention"),
    (joints, "STIFFNESS_FACTOR", 0.2, "joinery, section 4, a convention"),
    (joints, "WIDEST_TENON_M", 0.1, "joinery, section 2: common practice, no source"),
    (joints, "THICKEST_SHARE", 0.6, "joinery, section 2"),
    (joints, "SMALLEST_GAP_MM", 2.0, "joinery, section 2: common practice, no source"),
    (leaf, "BASE_PRIOR", (0.3, 1.0, 1e-3, 1e-3, 1.5e-3), "joinery, section 6, conventions"),
    (leaf, "GROWTH_ALONG_PER_PCT", 5e-5, "timber, section 4.2"),
    (leaf, "LEAST_GROWTH_SD", 1e-5, "joinery, section 7, a convention"),
    (leaf, "UNKNOWN_GROWTH_SD", 1.2e-4, "joinery, section 7, a convention"),
    (leaf, "GROWTH_DOUBT", 0.4, "joinery, section 7, a convention"),
    (leaf, "NOT_OBSERVED", 0.7, "joinery, section 8, rule 1"),
    (leaf, "USABLE_SD_MM", 0.075, "joinery, section 8, rule 2"),
    (leaf, "TREND_ONLY_SD_MM", 0.12, "joinery, section 8, rule 2"),
    (kit, "PLANNED_MOISTURE_PCT", 2.0, "joinery, section 9"),
    (suspects, "FAULT_SEEN", 3.5, "joinery, section 10"),
    (suspects, "NEAR_THE_WORST", 0.9, "joinery, section 10"),
    (suspects, "LEAST_REDUNDANCY", 0.1, "joinery, section 10"),
    (suspects, "SOUND_WITHOUT", 2.5, "joinery, section 10"),
    (suspects, "FAR_TURN_RAD", 2e-3, "joinery, section 10"),
    (loadtest, "SOFTEST", 0.05, "joinery, section 12"),
    (loadtest, "STIFFEST", 1.0, "joinery, section 12"),
    (loadtest, "GREATEST_LOAD_KG", 10.0, "joinery, section 12"),
    (reckoner, "FACTOR_RANGE", (0.05, 1.0), "joinery, section 4"),
    (restraint, "GLUE_LAYER_PA_PER_M", 4e10, "joinery, section 11"),
    (bench, "SPAN", (0.10, 0.40), "trial, section 11, after ISO 6891, from memory"),
    (bench, "SIZES_APART", 0.05, "trial, section 11"),
    (bench, "PIECE_TO_DOOR_SD_LN", 0.3, "trial, section 11, a convention"),
    (bench, "MOST_TAKEN_OFF", 0.5, "trial, section 11"),
    (bench, "SHEAR_FACTOR", 5 / 6, "joinery, section 5: a rectangle's"),
    (pieces, "ENOUGH_PIECES", 5, "trial, section 11"),
    (pieces, "UNLIKELY_RUN", 0.05, "trial, section 11"),
    (pieces, "ARMS_APART", 0.25, "trial, section 15, a convention"),
    (pieces, "MOISTURE_APART_PCT", 2.0, "trial, section 15, a convention"),
    (scatter, "CONFIDENCE", 0.95, "trial, section 11"),
    (scatter, "SHARE", 0.95, "trial, section 11"),
]


@pytest.mark.parametrize(("module", "name", "value", "source"), FIGURES, ids=lambda one: str(one)[:40])
def test_figure_is_its_source_s(module: ModuleType, name: str, value: object, source: str) -> None:
    """Source: named with each figure."""
    assert getattr(module, name) == value, source

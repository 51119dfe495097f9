"""The figures on which a flag or a form turns, as the page that decides them has them."""

from types import ModuleType

import pytest

from server.timber import finish, follow, movement, slab, sorption, species, stiffness

FIGURES: list[tuple[ModuleType, str, object, str]] = [
    (sorption, "COLDEST_C", -40.0, "timber, section 3.2"),
    (sorption, "HOTTEST_C", 100.0, "timber, section 3.2"),
    (sorption, "TABLE_COLDEST_C", -1.1, "Wood Handbook, table 4-2: its coldest row, 30 F"),
    (sorption, "DRIEST_PCT", -0.5, "timber, section 3.2"),
    (sorption, "DAMPEST_PCT", 103.0, "timber, section 3.2"),
    (sorption, "ENOUGH_SAMPLES", 12, "timber, section 3.3"),
    (sorption, "ENOUGH_HOURS", 18.0, "timber, section 3.3"),
    (sorption, "DEW_ABOVE_AIR_K", 0.5, "timber, section 3.2"),
    (sorption, "KELVIN_AT_0_C", 273.15, "the definition of the degree Celsius"),
    (movement, "DRIEST_PCT", 6.0, "Wood Handbook, chapter 13: equation 13-2 is for 6 to 14 %"),
    (movement, "BASE_PCT", 10.0, "Wood Handbook, table 13-5: its base"),
    (movement, "DAMPEST_PCT", 14.0, "Wood Handbook, chapter 13"),
    (movement, "GREATEST_MC_PCT", 200.0, "timber, section 4.2"),
    (movement, "ALONG_PER_PCT", 0.00005, "timber, section 4.2: 0.15 % over 30 %"),
    (slab, "KELVIN_AT_20_C", 293.15, "the definition of the degree Celsius"),
    (follow, "SPIN_UP_DAYS", 30, "timber, section 5.4"),
    (follow, "LONGEST_BRIDGE_DAYS", 30.0, "timber, section 5.4"),
    (follow, "SETTLED_AT", 3.0, "timber, section 5.4"),
    (finish, "SPECIMEN_PER_DAY", 0.35, "timber, section 8"),
    (finish, "SPECIMEN_HALF_MM", 8.0, "timber, section 8, from memory"),
    (species, "BASE_MC_PCT", 10.0, "Wood Handbook, table 13-5: its base"),
    (stiffness, "TESTED_FROM_PCT", 6.0, "timber, section 7.1, from memory"),
]


@pytest.mark.parametrize(("module", "name", "value", "source"), FIGURES, ids=lambda one: str(one)[:40])
def test_figure_is_its_source_s(module: ModuleType, name: str, value: object, source: str) -> None:
    """Source: named with each figure."""
    assert getattr(module, name) == pytest.approx(value, rel=1e-12), source

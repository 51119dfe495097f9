"""Equilibrium moisture against Wood Handbook FPL-GTR-190 (2010), Table 4-2, rows 30 to 100 F."""

import csv
from pathlib import Path

import pytest

from sensors.sources.simulated.emc import emc_pct

TABLE = Path(__file__).parents[3] / "published" / "emc_table.csv"
TOP_C = 37.8


def cells() -> list[tuple[float, float, float]]:
    lines = [line for line in TABLE.read_text("utf-8").splitlines() if line[0] != "#"]
    rows = (
        (float(row["temp_c"]), float(row["rh_pct"]), float(row["emc_pct"])) for row in csv.DictReader(lines)
    )
    return [row for row in rows if row[0] <= TOP_C]


def test_every_node_of_the_table_exactly() -> None:
    nodes = cells()
    assert len(nodes) == 8 * 19
    assert [emc_pct(temp_c, rh_pct) for temp_c, rh_pct, _ in nodes] == [pct for _, _, pct in nodes]


def test_between_nodes_it_is_the_mean_of_their_four_corners() -> None:
    corners = (10.1 + 11.0 + 9.9 + 10.8) / 4.0  # 70 and 80 F, 55 and 60 %
    assert emc_pct((21.1 + 26.7) / 2.0, 57.5) == pytest.approx(corners, abs=1e-12)


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "pct"),
    [
        (21.1, 0.0, 0.0),
        (21.1, 2.5, 0.65),  # half of 1.3 at 5 %
        (21.1, 98.0, 23.9 + (23.9 - 20.5) * 3.0 / 5.0),  # the last interval carried on
        (21.1, 100.0, 23.9 + (23.9 - 20.5) * 3.0 / 5.0),
        (-20.0, 65.0, 12.4),
        (60.0, 65.0, 11.2),
    ],
)
def test_beyond_the_table(temp_c: float, rh_pct: float, pct: float) -> None:
    assert emc_pct(temp_c, rh_pct) == pytest.approx(pct, abs=1e-12)

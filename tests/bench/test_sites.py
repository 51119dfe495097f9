"""The constants that are changed one by one: all of them are found, and one alone is changed."""

import shutil
from pathlib import Path

from tests.bench.constants.sites import OF_THE_SUM, changed, sites

ROOT = Path(__file__).parents[2]


def test_cells_and_names_are_found_and_settings_of_sums_are_not() -> None:
    names = {(one.path.rpartition("/")[2], one.name, one.text) for one in sites(ROOT)}
    assert ("species.csv", "sapele s_t", "7.4") in names
    assert ("kdef.csv", "Solid timber sc1", "0.60") in names
    assert ("leaf.py", "NOT_OBSERVED", "0.7") in names
    assert not {name for _, name, _ in names} & set(OF_THE_SUM)


def test_one_number_is_changed_by_a_hundredth(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "server" / "joinery", tmp_path / "server" / "joinery")
    one = next(site for site in sites(ROOT) if site.name == "NOT_OBSERVED")
    before = (tmp_path / one.path).read_text("utf-8").splitlines()
    assert float(changed(tmp_path, one)) == 0.7 * 1.01
    after = (tmp_path / one.path).read_text("utf-8").splitlines()
    unlike = [(old, new) for old, new in zip(before, after, strict=True) if old != new]
    assert unlike == [("NOT_OBSERVED = 0.7", f"NOT_OBSERVED = {0.7 * 1.01!r}")]

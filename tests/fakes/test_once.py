"""What is made once a run is what would be made anew: a look with known fits against one without."""

from pathlib import Path

import numpy as np

from server.inspection.look import watched_look
from tests.fakes.once import kept_once, known_fits, made_once
from tests.inspection.doors import Truth, made_inputs, one_gauge


def test_a_file_is_made_by_the_first_who_asks(tmp_path: Path) -> None:
    asked: list[Path] = []

    def make(part: Path) -> None:
        asked.append(part)
        part.touch()

    assert made_once(tmp_path, "it", make) == made_once(tmp_path, "it", make) == tmp_path / "it"
    assert len(asked) == 1


def test_a_value_is_unpacked_anew_for_each(tmp_path: Path) -> None:
    kept_once(tmp_path, "it", lambda: [1]).append(2)
    assert kept_once(tmp_path, "it", lambda: [3]) == [1]


def test_a_known_fit_is_the_fit_and_other_days_have_their_own(tmp_path: Path) -> None:
    inputs = made_inputs(Truth(years=1.05), one_gauge())
    anew = watched_look(inputs, {}).watches["gauge:droop"].now.watched.posterior
    for other in (False, True, False):
        days = made_inputs(Truth(years=1.05, seed=int(other)), one_gauge()) if other else inputs
        with known_fits(tmp_path):
            known = watched_look(days, {}).watches["gauge:droop"].now.watched.posterior
        assert np.array_equal(known.mean, anew.mean) is not other
    assert len(list(tmp_path.glob("fit-*[0-9a-f]"))) == 2

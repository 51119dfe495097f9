"""Finishes against Wood Handbook table 16-3, and the film that reproduces its three days."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from server.errors import OutOfRangeError
from server.timber.exact import uptake
from server.timber.finish import (
    SPECIMEN_PER_DAY,
    Finish,
    default_finishes,
    film_biot,
    film_surface_mm_per_day,
    find_finish,
    in_series_mm_per_day,
)
from server.timber.published import rows
from server.timber.refusals import MissingPropertyError
from tests.refusals import refuses

FILE: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "published" / "timber.json").read_text("utf-8")
)
VARNISH, PAINT = "urethane-varnish-oil-modified", "polyurethane-paint-gloss-two-components"
DAYS = np.array([1.0, 7.0, 14.0])


def effectiveness(biot: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    """100 (1 - E film / E bare) at the three days."""
    theta = SPECIMEN_PER_DAY * DAYS
    return np.asarray(100 * (1 - uptake(theta, biot) / uptake(theta)))


@pytest.mark.parametrize("case", FILE["film"]["points"], ids=str)
def test_film_reproduces_the_published_effectiveness(case: dict[str, Any]) -> None:
    """To 0.1 of our reckoning, and to 1.5 of the points that table 16-3 prints."""
    assert effectiveness(case["biot"]) == pytest.approx(case["mee_1_7_14"], abs=0.1)
    assert effectiveness(case["biot"]) == pytest.approx(case["published"], abs=1.5)


def test_every_fitted_film_reproduces_its_own_row() -> None:
    printed = {(finish.shown, finish.coats): finish for finish in default_finishes()}
    for row in rows("finish_film"):
        finish = printed[row["finish"], int(row["coats"])]
        misfit = effectiveness(float(row["biot_specimen"])) - [finish.mee_1d, finish.mee_7d, finish.mee_14d]
        assert np.abs(misfit).max() == pytest.approx(float(row["max_misfit_points"]), abs=0.1)


def test_look_up() -> None:
    """Table 16-3: oil-modified urethane varnish, 3 coats, 90 / 64 / 44."""
    varnish = find_finish(VARNISH, 3)
    assert (varnish.mee_1d, varnish.mee_7d, varnish.mee_14d) == (90, 64, 44)
    assert "table 16-3" in varnish.source


@pytest.mark.parametrize(("key", "s", "biot"), [(VARNISH, 0.515, 2.1), (PAINT, 0.176, 0.73)])
def test_film_of_a_leaf(key: str, s: float, biot: float) -> None:
    """Three coats on a 54 mm leaf; the Biot number of the specimens times k l over the leaf's D / l."""
    surface = film_surface_mm_per_day(find_finish(key, 3))
    assert surface == pytest.approx(s, abs=5e-4)
    assert film_biot(surface, 27.0) == pytest.approx(biot, abs=0.05)


def test_the_user_s_finish_comes_first() -> None:
    mine = Finish(
        key=VARNISH, shown="My varnish", coats=3, s_mm_per_day=0.4, source="weighed boards", origin="user"
    )
    assert find_finish(VARNISH, 3, [mine]).s_mm_per_day == 0.4
    assert find_finish(VARNISH, 2, [mine]).origin == "default"


@pytest.mark.parametrize(
    "wrong", [{"coats": 0}, {"mee_7d": 101.0}, {"mee_14d": -1.0}, {"s_mm_per_day": 0.0}], ids=str
)
def test_refuses_a_finish_of_the_user_s_that_cannot_be(wrong: dict[str, Any]) -> None:
    mine = replace(Finish(key="oil", shown="Oil", coats=1, source="weighed"), **wrong)
    with refuses(
        OutOfRangeError, asked="finish oil", needed="0 to 100 %", came=f"{next(iter(wrong.values()))}"
    ):
        find_finish("oil", 1, [mine])


def test_refuses_a_finish_of_the_user_s_without_a_source() -> None:
    mine = Finish(key="oil", shown="Oil", coats=1, source=" ")
    with refuses(MissingPropertyError, asked="finish oil", needed="words", came="none"):
        find_finish("oil", 1, [mine])


def test_layers_in_series() -> None:
    assert in_series_mm_per_day([0.5, 0.5]) == pytest.approx(0.25)
    assert in_series_mm_per_day([0.3]) == pytest.approx(0.3)


def test_never_more_coats_than_tested_and_no_finish_unheard_of() -> None:
    with refuses(MissingPropertyError, asked=f"finish {VARNISH}", needed="5 or 6 coats", came="7"):
        find_finish(VARNISH, 7)
    with refuses(MissingPropertyError, asked="finish", needed="one that is listed", came="'goose-grease'"):
        find_finish("goose-grease", 1)


def test_film_too_weak_to_tell_is_refused() -> None:
    with refuses(MissingPropertyError, asked="film of linseed-oil, 3 coats", needed="bare wood", came="none"):
        film_surface_mm_per_day(find_finish("linseed-oil", 3))


def test_refuses_figures_that_cannot_be() -> None:
    with refuses(OutOfRangeError, asked="Biot number", needed="above 0", came="0.2, 0, 6.5"):
        film_biot(0.2, 0.0)
    with refuses(OutOfRangeError, asked="several layers", needed="above 0", came="[]"):
        in_series_mm_per_day([])

"""Forms of reading a joint's series together, against what others reckon; and nothing later counts."""

from dataclasses import replace

import numpy as np
import pytest

from tests.bench.asked import fleet
from tests.bench.trend.joined import FORMS, Form, Read, alarms, fisher, fused, leads
from tests.bench.trend.joined_doors import limit_mrad, until_open

RNG = np.random.default_rng(4)
Z = RNG.normal(size=(4, 400)) + np.linspace(0.0, 3.0, 400)
BY_TURN = RNG.uniform(5.0, 40.0, (4, 400))
SHARED = np.array(
    [[1.0, -0.2, 0.1, 0.9], [-0.2, 1.0, -0.3, -0.2], [0.1, -0.3, 1.0, 0.1], [0.9, -0.2, 0.1, 1.0]]
)
READ = Read(
    day=np.arange(400, 800),
    z=Z,
    z_beside=Z,
    by_turn=BY_TURN,
    held=np.arange(400) % 50 == 0,
    onset_day=500,
    crossing_day=790,
)


def test_fisher_is_that_of_scipy() -> None:
    from scipy.stats import combine_pvalues, norm

    tails = norm.sf(Z[:, :9])
    theirs = [combine_pvalues(tails[:, night], method="fisher").pvalue for night in range(9)]
    assert norm.sf(fisher(Z[:, :9], BY_TURN[:, :9], SHARED)) == pytest.approx(theirs)


def test_fused_is_least_squares_of_what_is_whitened() -> None:
    """Against numpy's plain least squares, the series made independent first."""
    white = np.linalg.inv(np.linalg.cholesky(SHARED))
    for night in range(5):
        (slope,), *_ = np.linalg.lstsq(white @ BY_TURN[:, [night]], white @ Z[:, night], rcond=None)
        error = 1.0 / np.linalg.norm(white @ BY_TURN[:, night])
        assert fused(Z, BY_TURN, SHARED)[night] == pytest.approx(slope / error)


@pytest.mark.parametrize("form", FORMS, ids=[form.name for form in FORMS])
def test_no_later_night_changes_what_was_said(form: Form) -> None:
    whole = alarms(READ, *form.of(READ, SHARED), 1.5)
    early = replace(
        READ,
        day=READ.day[:250],
        z=Z[:, :250],
        z_beside=Z[:, :250],
        by_turn=BY_TURN[:, :250],
        held=READ.held[:250],
    )
    cut = alarms(early, *form.of(early, SHARED), 1.5)
    assert whole
    assert cut == [day for day in whole if day < 650]


def test_an_alarm_from_before_the_onset_is_no_lead() -> None:
    z = np.where(READ.day >= 450, 3.0, 0.0)[None].repeat(4, axis=0)
    read = replace(READ, z=z, z_beside=z)
    assert leads([read], FORMS[0], SHARED, 2.0) == [0]
    assert leads([replace(read, onset_day=449)], FORMS[0], SHARED, 2.0) == [790 - 451]


def test_a_door_is_made_until_its_joint_is_open() -> None:
    (door,) = fleet(1, years=1.0, first_seed=6001, opens="lock-hinge")
    made = until_open(door, 90.0)
    assert isinstance(made.opening, tuple)
    _, onset_day, rho_mrad = made.opening
    opened = rho_mrad * (made.years - onset_day / 365.25) ** 1.4
    assert limit_mrad(90.0) == pytest.approx(0.3136, abs=1e-4)
    assert limit_mrad(90.0) < opened < 1.3 * limit_mrad(90.0)

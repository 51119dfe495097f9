"""Contrasts against dense algebra on a short series."""

import numpy as np
import pytest

from server.trend.contrasts import Contrasts, last_day, lasting_contrasts
from server.trend.likelihood import Model, Noise, Solved, solved

DAYS, STATES = 30, 3
NOISE = Noise(white=0.5, ar=0.4, ar_days=3.0, level_per_sqrt_year=3.0, slope_per_year_per_sqrt_year=9.0)
RNG = np.random.default_rng(8)
COLUMNS, PRIOR_SD = RNG.normal(size=(DAYS, 2)), np.array([0.3, 2.0])
Y = RNG.normal(size=DAYS)
Y[[4, 5, 17]] = np.nan


def fit() -> Solved:
    return solved(Y, COLUMNS, PRIOR_SD, Model(noise=NOISE))


def dense() -> tuple[np.ndarray, np.ndarray]:
    """Posterior mean and covariance of (states, coefficients): the precision written out and inverted."""
    h, phi = 1 / 365.25, np.exp(-1 / NOISE.ar_days)
    move = np.array([[1, h, 0], [0, 1, 0], [0, 0, phi]])
    spread = np.diag([9.0 * h, 81.0 * h, NOISE.ar**2 * (1 - phi**2)])
    size = DAYS * STATES
    total = np.zeros((size + 2, size + 2))
    total[1, 1], total[2, 2] = 0.15**-2, NOISE.ar**-2
    for day in range(DAYS - 1):
        step = np.zeros((STATES, size + 2))
        step[:, day * 3 : day * 3 + 3], step[:, day * 3 + 3 : day * 3 + 6] = -move, np.eye(3)
        total += step.T @ np.linalg.inv(spread) @ step
    total[size:, size:] += np.diag(PRIOR_SD**-2)
    right = np.zeros(size + 2)
    for seen in np.flatnonzero(np.isfinite(Y)):
        row = np.zeros(size + 2)
        row[[seen * 3, seen * 3 + 2]], row[size:] = 1.0, COLUMNS[seen]
        total += np.multiply.outer(row, row) / NOISE.white**2
        right += row * Y[seen] / NOISE.white**2
    covariance = np.linalg.inv(total)
    return covariance @ right, covariance


UPTO, REFERENCE = np.array([0, 4, 8, 29]), np.zeros(DAYS)
REFERENCE[[3, 4, 8]] = [0.5, 0.25, 0.25]
OF_COLUMNS = RNG.normal(size=(2, UPTO.size))


def asked(of: Solved, of_columns: np.ndarray) -> Contrasts:
    return lasting_contrasts(of, upto=UPTO, reference=REFERENCE, of_columns=of_columns)


def test_sums_of_slopes_and_their_errors() -> None:
    mean, covariance = dense()
    sums = np.tril(np.ones((DAYS, DAYS)), -1) / 365.25  # of the slopes before each day
    weights = np.zeros((DAYS * STATES + 2, UPTO.size))
    weights[1 : DAYS * STATES : STATES] = (sums[UPTO] - REFERENCE @ sums).T
    weights[-2:] = OF_COLUMNS
    found = asked(fit(), OF_COLUMNS)
    assert found.mean == pytest.approx(weights.T @ mean, abs=1e-7)
    assert found.standard_errors() ** 2 == pytest.approx(np.diag(weights.T @ covariance @ weights), rel=1e-7)


def test_the_error_of_a_day_less_itself_is_nothing() -> None:
    alone = (np.arange(DAYS) == UPTO[1]).astype(float)
    found = lasting_contrasts(fit(), upto=UPTO, reference=alone, of_columns=np.zeros((2, UPTO.size)))
    assert found.standard_errors()[1] == pytest.approx(0.0, abs=1e-15)
    assert found.standard_errors()[[0, 2, 3]].min() > 1e-4


def test_knowing_a_column_is_leaving_it_out() -> None:
    alone = solved(Y, COLUMNS[:, 1:], PRIOR_SD[1:], Model(noise=NOISE))
    known = asked(fit(), OF_COLUMNS).standard_errors_knowing(np.array([True, False]))
    assert known == pytest.approx(asked(alone, OF_COLUMNS[1:]).standard_errors(), rel=1e-9)


def test_lasting_is_the_sum_of_slopes_less_its_mean_over_the_reference() -> None:
    slope = fit().smoothed()[:, 1]
    lasting = np.concatenate([[0.0], np.cumsum(slope[:-1])]) / 365.25
    found = asked(fit(), np.zeros((2, UPTO.size)))
    assert found.mean == pytest.approx(lasting[UPTO] - REFERENCE @ lasting, abs=1e-10)


def test_last_day() -> None:
    mean, covariance = dense()
    last = last_day(fit())
    assert last.mean == pytest.approx(mean[-5:], abs=1e-7)
    assert last.covariance == pytest.approx(covariance[-5:, -5:], abs=1e-7)

"""How long a fit, a night and a stack of doors take, in processor time."""

import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from time import process_time

import numpy as np

from server.trend.answer import Decomposition
from server.trend.forecast import forecast
from server.trend.likelihood import Model, Noise, loglik
from server.trend.nightly import nightly, predicted, sizes_of, updated
from server.trend.refit import refit
from server.trend.tonight import tonight
from tests.bench.trend.doors import CASES, KnownDoor

STACKED = 1000


def speed_rows(door: KnownDoor) -> Iterator[str]:
    """Lines for the likelihood and for each bar of time, on one door of ten years."""
    yield f"log-likelihood against statsmodels: {_likelihood_off():.1e}"
    fitted = refit(door.daily, door.facts)
    yield f"full refit of {door.daily.day.size} days: {_least(lambda: refit(door.daily, door.facts)):.2f} s"
    assert fitted.kept is not None
    kept = fitted.kept
    yield f"tonight: {1e3 * _least(lambda: tonight(kept, door.daily, door.facts)):.1f} ms"
    rng = np.random.default_rng(3)
    yield f"date: {_least(lambda: forecast(fitted, 5.0, rng)):.3f} s"
    yield from _night_rows(fitted)


def _night_rows(fitted: Decomposition) -> Iterator[str]:
    posterior, kept, fit = fitted.posterior, fitted.kept, fitted.fit
    assert posterior is not None
    assert kept is not None
    assert fit is not None
    x, y = fit.columns.values[-1], float(fitted.parts["secular"][-1])
    hundred = _least(lambda: [nightly(posterior, x, y, kept.noise) for _ in range(100)])
    yield f"nightly: {10 * hundred:.3f} ms"
    mean = np.tile(posterior.mean, (STACKED, 1))
    covariance = np.tile(posterior.covariance, (STACKED, 1, 1))
    sizes = sizes_of(*[kept.noise] * STACKED)
    values, read = np.tile(x, (STACKED, 1)), np.full(STACKED, y)

    def all_doors() -> None:
        updated(*predicted(mean, covariance, sizes), values, read, sizes)

    yield f"nightly, {STACKED} doors stacked: {1e3 * _least(all_doors) / STACKED:.4f} ms a door"


def _least(asked: Callable[[], object], *, times: int = 3) -> float:
    taken = []
    for _ in range(times):
        start = process_time()
        asked()
        taken.append(process_time() - start)
    return min(taken)


def _likelihood_off() -> float:
    """The largest difference from the values that statsmodels gave."""
    stored = json.loads((CASES.parent / "trend_likelihood.json").read_text("utf-8"))["cases"]
    off: list[float] = []
    for case in stored:
        noise = replace(
            Noise(),
            white=case["white_mm"],
            ar=case["ar_mm"],
            ar_days=case["ar_days"],
            level_per_sqrt_year=case["level_mm_per_sqrt_year"],
            slope_per_year_per_sqrt_year=case["slope_mm_per_year_per_sqrt_year"],
        )
        y = np.array([np.nan if value is None else value for value in case["y"]], dtype=float)
        model = Model(noise=noise, slope_start_sd=case["slope_prior_mm_per_year"])
        off.append(abs(loglik(y, model) - float(case["loglik"])))
    return max(off)

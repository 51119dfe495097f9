"""False claims of a kind, by each method and constant: `nice -n 10 python -m tests.bench.trend.trial_kinds`.

Weekly looks from the first year's end at so many pairs alike in error and of no difference, whose own
differences are spread by tau. Information grows as time, and as time to the 1.62 (as the comparison of the
service was measured from year 2 to 6); both give the error 0.0526 after two years. Trials of 4, 6 and 10
years are read along the same paths. The rate printed is the greatest over spread, horizon and growth, and
where that was. Takes the number of trials if not 6000, and a seed if not 1. Invented data.
"""

import sys
from collections.abc import Iterator
from dataclasses import replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from server.trend.trial_fence import C_DOORS, METHODS, YEAR_DAYS, Method

FloatArray = NDArray[np.float64]

TRIALS, AT_ONCE, SEED = 6000, 500, 1
COUNTS = (*range(2, 17), 20, 30)
CONSTANTS = (1.90, 1.95, 2.00, 2.05, 2.10, 2.15, 2.20, C_DOORS)
GROWTHS, SPREADS, HORIZONS = (1.0, 1.62), (0.0, 0.01, 0.02, 0.05, 0.1, 0.3, 1.0), (4.0, 6.0, 10.0)
YEARS = np.append(np.arange(1.0, HORIZONS[-1], 7 / YEAR_DAYS), HORIZONS[-1])
AT_YEARS, ERROR = 2.0, 0.0526


def rates(count: int, trials: int, rng: np.random.Generator) -> dict[str, FloatArray]:
    """Shares of false claims by a method's name: (growths, spreads, horizons, constants)."""
    factors = {name: _factors(method, count) for name, method in METHODS.items()}
    shape = (len(GROWTHS), len(SPREADS), len(HORIZONS), len(CONSTANTS))
    claims = {name: np.zeros(shape) for name in METHODS}
    for growth in range(len(GROWTHS)):
        for _ in range(trials // AT_ONCE):
            for spread, seen in enumerate(_scores(count, GROWTHS[growth], rng)):
                for name, bounds in factors.items():
                    outside = (seen > bounds[..., None, :]).any(axis=-1).sum(axis=-1)
                    claims[name][growth, spread] += outside
    return {name: found / (trials // AT_ONCE * AT_ONCE) for name, found in claims.items()}


def main(arguments: list[str]) -> None:
    """Print the greatest rates of every number of pairs."""
    trials = int(arguments[0]) if arguments else TRIALS
    seed = int(arguments[1]) if arguments[1:] else SEED
    _say("constant         " + " ".join(f"{one:6.3f}" for one in CONSTANTS))
    for count in COUNTS:
        found = rates(count, trials, np.random.default_rng([seed, count]))
        for name, rate in found.items():
            worst = rate.reshape(-1, len(CONSTANTS)).max(axis=0)
            own = METHODS[name].c_kind(count)
            _say(f"{name} {count:2} pairs " + " ".join(f"{one:6.4f}" for one in worst) + _where(rate, own))


def _where(rate: FloatArray, own: float) -> str:
    """At the method's own constant: the greatest rate and its cell."""
    place = min(range(len(CONSTANTS)), key=lambda one: abs(CONSTANTS[one] - own))
    cells = list(product(GROWTHS, SPREADS, HORIZONS))
    flat = rate[..., place].ravel()
    growth, spread, horizon = cells[int(flat.argmax())]
    cell = f"time^{growth:g}, tau {spread:g}, {horizon:g} years"
    return f"  own {CONSTANTS[place]:.3f}: {flat.max():.4f} at {cell}"


def _factors(method: Method, count: int) -> FloatArray:
    """(horizons, constants, looks), never to be left after the horizon."""
    found = np.full((len(HORIZONS), len(CONSTANTS), YEARS.size), np.inf)
    for place, horizon in enumerate(HORIZONS):
        within = horizon >= YEARS
        for at, constant in enumerate(CONSTANTS):
            fence = replace(method, kinds=((count, constant),))
            found[place, at, within] = fence.factor_of_kind(YEARS[within] / horizon, count, count - 1)
    return found


def _scores(count: int, growth: float, rng: np.random.Generator) -> Iterator[FloatArray]:
    """Pooled differences over their errors, (trials, looks), for each spread along the same draws."""
    information = (YEARS / AT_YEARS) ** growth / ERROR**2
    steps = np.sqrt(np.diff(information, prepend=0.0))
    walk = np.cumsum(rng.standard_normal((AT_ONCE, count, YEARS.size)) * steps, axis=2) / information
    own = rng.standard_normal((AT_ONCE, count, 1))
    for spread in SPREADS:
        seen = spread * own + walk
        variance = np.maximum(seen.var(axis=1, ddof=1), 1 / information) / count
        yield np.abs(seen.mean(axis=1)) / np.sqrt(variance)


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1:])

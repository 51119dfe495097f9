"""The sixty development doors against their known truth: rates, steps, alarms, dates, pairs and speed.

Run as `python -m tests.bench.trend.dev`, or with the name of a part: rates, watch, pairs, speed.
Invented data; nothing may be tuned on a single door.
"""

import sys

from tests.bench.trend.doors import CUTS, KnownDoor, known_doors, naive_rate
from tests.bench.trend.pairs import pair_rows
from tests.bench.trend.rates import rate_rows
from tests.bench.trend.speed import speed_rows
from tests.bench.trend.watching import watch_rows

__all__ = ["CUTS", "KnownDoor", "known_doors", "main", "naive_rate"]


def main(parts: list[str]) -> None:
    """Print the rows of some parts; all where none is named."""
    doors = known_doors()
    made = {
        "rates": lambda: rate_rows(doors),
        "watch": lambda: watch_rows(doors),
        "pairs": lambda: pair_rows(doors),
        "speed": lambda: speed_rows(doors[0]),
    }
    for part in parts or made:
        for row in made[part]():
            sys.stdout.write(f"{row}\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1:])

"""Intake and store against what they stand on: `python -m tests.bench.intake listener|redelivery|...`.

Each starts the real service in a folder of its own, driven by another process, and prints ratios of one run:
of rates by the wall, and of processor time, which a busy machine leaves alone. Without a name: all of them.
"""

import argparse
import importlib
import sys

from tests.bench.intake.pairs import Asked

NAMES = ("listener", "redelivery", "rollups", "broker", "collector", "shared", "bytes", "tls", "reads")
MODULES = {"bytes": "sizes"}


def main() -> int:
    """Run what is asked for; 1 when a bar was not met, or the machine was too busy to say."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"{', '.join(NAMES)} (default: all)")
    parser.add_argument("--pairs", type=int, default=7)
    parser.add_argument("--anyway", action="store_true", help="count pairs however much they differ")
    given = parser.parse_args()
    asked, met = Asked(pairs=given.pairs, anyway=given.anyway), True
    for name in given.names or NAMES:
        if name not in NAMES:
            parser.error(f"needs one of {', '.join(NAMES)}, got {name}")
        met &= importlib.import_module(f"tests.bench.intake.{MODULES.get(name, name)}").run(asked)
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())

"""The service without rollups: `python -m tests.bench.intake.unrolled ...` as `hangtrue ...`."""

from server.cli.main import main
from server.readings import rollup


def nothing(*_engine: object, **_more: object) -> int:
    """Roll up no day."""
    return 0


if __name__ == "__main__":
    rollup.recompute = nothing
    main()

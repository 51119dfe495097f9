"""Random numbers by name: one seed and one name give one stream, whatever the others have drawn."""

from random import Random


def stream(seed: int, *names: str) -> Random:
    """The stream of one purpose, the same at each call: `stream(1, "north", "noise")`."""
    return Random("/".join((str(seed), *names)))  # noqa: S311 - weather and noise, not a secret

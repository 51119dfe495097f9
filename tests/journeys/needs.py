"""What a journey needs, and how long it may take.

Programs of others that are absent: it is skipped with the reason; with CI=true it fails. HANGTRUE_LONG=1:
faults are made as often as the guarantees ask to be shown, not as often as a quick run has time for.
"""

import os
from collections.abc import Sequence
from typing import TypeVar

import pytest

_T = TypeVar("_T")


def require(found: _T | None, how: str) -> _T:
    """`found`, unless it is None."""
    if found is not None:
        return found
    if os.environ.get("CI") == "true":
        pytest.fail(f"needs {how}")
    pytest.skip(f"needs {how}")


def is_long() -> bool:
    """Whether the run may take long."""
    return os.environ.get("HANGTRUE_LONG") == "1"


def often(short: int, *, long: int) -> int:
    """How often a fault is made."""
    return long if is_long() else short


def by_default(*short: str, of: Sequence[str] = ("sqlite", "postgres")) -> Sequence[str]:
    """Which of the ways, or databases, a test goes; all when it may take long.

    Two tests that go crosswise, each another way with another database, go each way and each database once.
    """
    return of if is_long() else short

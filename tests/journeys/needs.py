"""Programs of others that a journey needs: absent, it is skipped with the reason; with CI=true it fails."""

import os
from typing import TypeVar

import pytest

_T = TypeVar("_T")


def require(found: _T | None, how: str) -> _T:
    """`found`, unless it is None."""
    if found is None:
        pytest.fail(f"needs {how}") if os.environ.get("CI") == "true" else pytest.skip(f"needs {how}")
    return found

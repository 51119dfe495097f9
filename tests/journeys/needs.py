"""Programs of others that a journey needs: absent, it is skipped with the reason; with CI=true it fails."""

import os
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

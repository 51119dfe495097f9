"""Each refusal is also the Python error that it is, so that a caller may catch it as such."""

import pytest

from server.errors import HangtrueError
from server.joinery.refusals import (
    BracedLeafError,
    TooFewPiecesError,
    TooFewPointsError,
    UnlikePiecesError,
)


@pytest.mark.parametrize("kind", [BracedLeafError, TooFewPiecesError, TooFewPointsError, UnlikePiecesError])
def test_refusal_is_one_sentence_and_a_value_error(kind: type[HangtrueError]) -> None:
    error = kind("two kinds of test piece", "5 broken of each", "6 and 3")
    assert isinstance(error, ValueError)
    assert str(error) == "two kinds of test piece: needs 5 broken of each, got 6 and 3"

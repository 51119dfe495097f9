"""Each refusal is one sentence, and ends a command with 1."""

import pytest

from server.doors.refusals import BatchChangedError, LoadRefusedError, UnknownBatchError, UnknownPieceError
from server.errors import HangtrueError

KINDS = [BatchChangedError, LoadRefusedError, UnknownBatchError, UnknownPieceError]


@pytest.mark.parametrize("kind", KINDS)
def test_a_refusal_is_one_sentence(kind: type[HangtrueError]) -> None:
    error = kind("load test of north", "no alert", "one that stands")
    assert (str(error), error.status) == ("load test of north: needs no alert, got one that stands", 1)
    assert isinstance(error, LookupError) is kind.__name__.startswith("Unknown")

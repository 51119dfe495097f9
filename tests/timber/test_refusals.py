"""Each refusal is also the Python error that it is, so that a caller may catch it as such."""

import pytest

from server.errors import HangtrueError
from server.timber.refusals import MissingPropertyError, StateMismatchError, UnknownSpeciesError


@pytest.mark.parametrize(
    ("kind", "python"),
    [
        (UnknownSpeciesError, LookupError),
        (MissingPropertyError, LookupError),
        (StateMismatchError, ValueError),
    ],
)
def test_refusal_is_one_sentence_and_a_python_error(
    kind: type[HangtrueError], python: type[Exception]
) -> None:
    error = kind("species", "one that is known", "'oka'")
    assert isinstance(error, python)
    assert str(error) == "species: needs one that is known, got 'oka'"

"""The declaration to start from."""

import tomllib

from server.trials.declared import draft_of
from server.trials.example import EXAMPLE
from tests.trials.yard import declaration


def test_the_example_is_a_declaration() -> None:
    assert draft_of(tomllib.loads(EXAMPLE)) == draft_of(declaration())

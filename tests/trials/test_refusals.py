"""Refusals of trials are refusals of the house."""

import inspect

from server.errors import HangtrueError
from server.trials import refusals


def test_each_is_one_of_ours_and_the_python_error_that_it_is() -> None:
    ours = [one for _name, one in inspect.getmembers(refusals, inspect.isclass)]
    ours = [one for one in ours if one.__module__ == refusals.__name__]
    assert len(ours) == 9
    assert all(issubclass(one, HangtrueError) for one in ours)
    assert issubclass(refusals.UnknownTrialError, LookupError)
    assert refusals.DeclarationError("a", "b", "c").status == 2

"""Refusals of the timber floor: a wood that is not known, a figure nobody gave, a state of another slab."""

from server.errors import HangtrueError


class UnknownSpeciesError(HangtrueError, LookupError):
    """No wood of that name, neither in the tables nor among the user's own rows."""


class MissingPropertyError(HangtrueError, LookupError):
    """A figure that no table and no user gives for this wood, finish or material; never a default."""


class StateMismatchError(HangtrueError, ValueError):
    """A state kept for a slab of other figures: the series has to be reckoned anew."""

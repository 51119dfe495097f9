"""Refusals about what is tried on doors and on the bench."""

from server.errors import HangtrueError


class LoadRefusedError(HangtrueError):
    """A door that may not be loaded, or was loaded in weather that was not steady."""


class UnknownBatchError(HangtrueError, LookupError):
    """No batch of sample joints of that name."""


class UnknownPieceError(HangtrueError, LookupError):
    """No broken piece of that number, or one that is struck out already."""


class BatchChangedError(HangtrueError):
    """A batch of that name is kept already, and it was made otherwise."""

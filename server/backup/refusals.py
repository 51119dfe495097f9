"""Refusals of back-ups."""

from server.errors import HangtrueError


class BackupError(HangtrueError):
    """A back-up that cannot be made, or is not what its manifest says."""


class NotRestoredError(HangtrueError):
    """A restore that was not done; what stood before stands."""


class NotMovedError(HangtrueError):
    """A move that was not done; the target is as it was."""


class NotThinnedError(HangtrueError, ValueError):
    """Readings that may not be thinned."""

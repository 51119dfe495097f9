"""Refusals of the ledger's own."""

from server.errors import HangtrueError


class LeaveTooLongError(HangtrueError, ValueError):
    """An alert cannot be left alone until that day."""

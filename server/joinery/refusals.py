"""Refusals of the joinery floor: a leaf the frame cannot reckon, pieces too few or too unlike to compare."""

from server.errors import HangtrueError


class BracedLeafError(HangtrueError, ValueError):
    """A panel that does not float braces the leaf: its joints' moments are not known."""


class TooFewPiecesError(HangtrueError, ValueError):
    """Too few broken pieces to name what is asked."""


class UnlikePiecesError(HangtrueError, ValueError):
    """Test pieces made or broken so differently that they cannot be set side by side."""


class TooFewPointsError(HangtrueError, ValueError):
    """Too few points of load and deflection, or too little of the joint in them."""

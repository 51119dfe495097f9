"""Refusals of the ledger's own."""

from server.alerts.refusals import LeaveTooLongError
from server.errors import HangtrueError


def test_a_leave_too_long_is_said_in_one_sentence() -> None:
    refusal = LeaveTooLongError("leave alert 3", "a day within the next 30 days", "2027-06-01, 90 days ahead")
    assert isinstance(refusal, HangtrueError)
    assert isinstance(refusal, ValueError)
    assert str(refusal) == "leave alert 3: needs a day within the next 30 days, got 2027-06-01, 90 days ahead"

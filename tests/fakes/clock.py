"""A clock that stands until a test moves it."""

from datetime import UTC, datetime, timedelta


class HandClock:
    """A `Clock` in the test's hands. Starts at noon of 1 January 2026 UTC."""

    def __init__(self, now: datetime = datetime(2026, 1, 1, 12, tzinfo=UTC)) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now

    def ms(self) -> int:
        """The time in whole milliseconds since 1970."""
        return round(self.now.timestamp() * 1000)

    def advance(self, step: timedelta | None = None, **parts: float) -> None:
        """Move on by `step`, or by `hours=...`, `seconds=...` and the like; back, when negative."""
        self.now += step if step is not None else timedelta(**parts)

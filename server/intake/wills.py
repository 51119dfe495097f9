"""Wills that wait out their delay."""

import asyncio
from collections.abc import Callable

from server.intake.packets import Will


class Wills:
    """At most one will a client id; lives on a loop."""

    def __init__(self, publish: Callable[[Will], None]) -> None:
        self._publish = publish
        self._loop = asyncio.get_running_loop()
        self._waiting: dict[str, tuple[asyncio.TimerHandle, Will]] = {}

    def leave(self, client_id: str, will: Will, delay_s: float) -> None:
        """The client is gone: publish its will now, or after the delay."""
        self._waiting[client_id] = (self._loop.call_later(delay_s, self.publish, client_id), will)
        if not delay_s:
            self.publish(client_id)

    def come_back(self, client_id: str, *, is_resumed: bool) -> None:
        """The client is here again: its will is dropped with a session that goes on, else due (5:3.1.3-9)."""
        if is_resumed:
            self.drop(client_id)
        self.publish(client_id)

    def publish(self, client_id: str) -> None:
        """Publish the will that waits, if one does."""
        if will := self.drop(client_id):
            self._publish(will)

    def drop(self, client_id: str) -> Will | None:
        """Take the will out unpublished."""
        handle, will = self._waiting.pop(client_id, (None, None))
        if handle:
            handle.cancel()
        return will

    def clients(self) -> tuple[str, ...]:
        """Whose wills wait."""
        return tuple(self._waiting)

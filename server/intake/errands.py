"""What a loop has done beside it: tasks of its own, and calls in the one thread that asks the database."""

import asyncio
import logging
from collections.abc import Callable, Coroutine
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

from server.intake.admission import RefusedConnectError

_LOG = logging.getLogger("hangtrue.intake")
_T = TypeVar("_T")


class Errands:
    """Lives on a loop. One thread asks the database, so that a load sees the save before it."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._store = ThreadPoolExecutor(1, "intake-store")
        self._tasks: set[asyncio.Task[None]] = set()

    def keep(self, call: Callable[..., None], *arguments: object) -> None:
        """Have something saved; a failure is logged."""
        self._store.submit(call, *arguments).add_done_callback(_log_failure)

    async def ask(self, call: Callable[..., _T], *arguments: object) -> _T:
        """What the database answers."""
        return await self._loop.run_in_executor(self._store, call, *arguments)

    def run(self, work: Coroutine[object, object, None]) -> "asyncio.Task[None]":
        """Have work done on the loop; a failure is logged."""
        task = self._loop.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._ran)
        return task

    def cancel(self) -> None:
        """End the work on the loop."""
        for task in tuple(self._tasks):
            task.cancel()

    def shut(self) -> None:
        """Wait for what is still being saved. Not on the loop: it blocks."""
        self._store.shutdown()

    def _ran(self, task: "asyncio.Task[None]") -> None:
        self._tasks.discard(task)
        _log_failure(task)


def _log_failure(done: "asyncio.Task[None] | Future[None]") -> None:
    error = None if done.cancelled() else done.exception()
    if error and not isinstance(error, RefusedConnectError):
        _LOG.error("the database could not be asked: %s", type(error).__name__)  # its words may hold a secret

"""Threads that carry posts side by side: of one post one at a time, of those that failed half of them."""

import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Generic, TypeVar

Done = TypeVar("Done")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Load(Generic[Done]):
    post_id: int
    is_slow: bool
    done: Future[Done]


class Hands(Generic[Done]):
    """At most so many threads at work on posts; one ends when nothing waits that it may take.

    Not a ThreadPoolExecutor: the interpreter waits at its end for every thread of one, so a try that hangs
    would keep a stopped service alive. Source: Python 3.11, `concurrent.futures`, ThreadPoolExecutor.
    """

    def __init__(self, work: Callable[[int], Done], *, most: int) -> None:
        self._work, self._most = work, most
        self._most_slow = max(most // 2, 1)
        self._eased = threading.Condition()
        self._waiting: list[_Load[Done]] = []
        self._held = set[int]()
        self._busy = self._busy_slow = 0

    def give(self, post_id: int, *, is_slow: bool) -> Future[Done] | None:
        """Have a post carried, and give what comes of it; None where it is waiting or under way already.

        `is_slow`: it may hang. Such posts go after the others and are in half of the hands at most.
        """
        load: _Load[Done] = _Load(post_id=post_id, is_slow=is_slow, done=Future())
        with self._eased:
            if post_id in self._held:
                return None
            if self._busy < self._most:
                threading.Thread(target=self._carry, name="deliverer-hand", daemon=True).start()
                self._busy += 1
            self._held.add(post_id)
            self._waiting.append(load)
        return load.done

    def is_idle(self, *, within_s: float) -> bool:
        """Whether nothing waits or is under way, now or within so many seconds."""
        with self._eased:
            return self._eased.wait_for(lambda: not self._held, within_s)

    def _carry(self) -> None:
        while (load := self._next()) is not None:
            try:
                done = self._work(load.post_id)
            except BaseException as error:  # noqa: BLE001  # told to whoever waits for it
                self._put_down(load)
                load.done.set_exception(error)
            else:
                self._put_down(load)
                load.done.set_result(done)

    def _next(self) -> _Load[Done] | None:
        """The first that is not slow; else the first slow one, while half of the hands are free of such."""
        with self._eased:
            may_take = [one for one in self._waiting if not one.is_slow or self._busy_slow < self._most_slow]
            load = min(may_take, key=lambda one: one.is_slow, default=None)
            if load is None:
                self._busy -= 1
                return None
            self._waiting.remove(load)
            self._busy_slow += load.is_slow
            return load

    def _put_down(self, load: _Load[Done]) -> None:
        with self._eased:
            self._busy_slow -= load.is_slow
            self._held.discard(load.post_id)
            self._eased.notify_all()

"""Work beside a loop."""

import asyncio
import threading

import pytest

from server.intake.errands import Errands


def test_a_load_sees_the_save_before_it_and_runs_elsewhere() -> None:
    seen: list[str] = []

    async def work() -> list[str]:
        errands = Errands()
        for number in range(20):
            errands.keep(seen.append, f"{number}")
        told = await errands.ask(lambda: [*seen, threading.current_thread().name])
        errands.shut()
        return told

    *saved, thread = asyncio.run(work())
    assert saved == [f"{number}" for number in range(20)]
    assert thread.startswith("intake-store")


def test_a_failure_is_logged_without_its_words(caplog: pytest.LogCaptureFixture) -> None:
    def fail(*_: object) -> None:
        raise KeyError("a secret")

    async def fail_here() -> None:
        raise ValueError("a secret")

    async def work() -> None:
        errands = Errands()
        errands.keep(fail)
        with pytest.raises(ValueError, match="secret"):
            await errands.run(fail_here())
        errands.shut()

    asyncio.run(work())
    assert sorted(caplog.messages) == [
        f"the database could not be asked: {name}" for name in ("KeyError", "ValueError")
    ]


def test_work_is_ended() -> None:
    async def work() -> bool:
        errands = Errands()
        task = errands.run(asyncio.sleep(60))
        errands.cancel()
        await asyncio.wait([task])
        errands.shut()
        return task.cancelled()

    assert asyncio.run(work())

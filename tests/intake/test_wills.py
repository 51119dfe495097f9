"""Wills: at once, after their delay, or never."""

import asyncio

import pytest

from server.intake.packets import Will
from server.intake.wills import Wills

WILL = Will(topic="t", payload=b"gone")
LONG_S = 1000.0


def left(*, delay_s: float) -> tuple[Wills, list[Will]]:
    published: list[Will] = []
    wills = Wills(published.append)
    wills.leave("c", WILL, delay_s)
    return wills, published


def test_a_will_without_delay_is_published_at_once() -> None:
    async def body() -> None:
        _, published = left(delay_s=0)
        assert published == [WILL]

    asyncio.run(body())


def test_a_will_waits_out_its_delay() -> None:
    async def body() -> None:
        wills, published = left(delay_s=0.01)
        assert (published, wills.clients()) == ([], ("c",))
        while wills.clients():
            await asyncio.sleep(0.001)
        assert published == [WILL]

    asyncio.run(body())


@pytest.mark.parametrize(("is_resumed", "wanted"), [(True, []), (False, [WILL])])
def test_a_will_ends_when_its_client_is_back(*, is_resumed: bool, wanted: list[Will]) -> None:
    async def body() -> None:
        wills, published = left(delay_s=LONG_S)
        wills.come_back("c", is_resumed=is_resumed)
        wills.come_back("c", is_resumed=is_resumed)
        assert published == wanted
        assert wills.clients() == ()

    asyncio.run(body())

"""Packets are values: they compare, and do not change."""

from dataclasses import FrozenInstanceError

import pytest

from server.intake.packets import Connect, Pingreq, Puback, Publish


def test_packets_compare_by_what_they_hold() -> None:
    assert Publish(topic="a") == Publish(topic="a", payload=b"", qos=0, properties={})
    assert Puback(packet_id=1) != Puback(packet_id=2)
    assert Pingreq() == Pingreq()


def test_packets_do_not_change() -> None:
    packet = Connect(version=4, client_id="c")
    with pytest.raises(FrozenInstanceError):
        packet.client_id = "d"  # type: ignore[misc]  # what is tested

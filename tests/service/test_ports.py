"""Ports: bound before anything runs; one in use is one sentence."""

import pytest

from server.config import Address
from server.errors import SettingsError
from server.service.ports import bind
from tests.refusals import refuses


def test_any_free_port() -> None:
    with bind(Address(host="127.0.0.1", port=0), what="serve the pages") as listening:
        assert listening.getsockname()[1] > 0


def test_a_port_in_use_is_named() -> None:
    with bind(Address(host="127.0.0.1", port=0), what="serve the pages") as first:
        port = first.getsockname()[1]
        with refuses(
            SettingsError,
            asked=f"serve the pages on 127.0.0.1:{port}",
            needed="a free port; change it in the settings",
            came="one that another program uses",
        ):
            bind(Address(host="127.0.0.1", port=port), what="serve the pages")


def test_an_address_of_another_computer() -> None:
    with pytest.raises(SettingsError, match=r"192\.0\.2\.1"):  # RFC 5737: nobody's
        bind(Address(host="192.0.2.1", port=0), what="take readings")

"""The node's connection: whose certificate it takes, and what it hears when it becomes another user."""

import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from sensors.config import Broker, NodeError
from sensors.publisher.passwords import Login
from sensors.publisher.transport import Event, PahoTransport
from server.service.tls import server_context
from tests.fakes.certificates import SiteFiles, listening_with, site_files
from tests.fakes.intake import DEADLINE_S, NORTH, listening

LOGIN = Login(user="saltmarsh-yard.north.1", password="4C7Q9MZK2T0VXA8B", generation=1)  # noqa: S106  (invented)
SECOND = "saltmarsh-yard.north.2"
# paho leaves the sockets of a loop that ended, or of a handshake that failed, to be collected
pytestmark = pytest.mark.filterwarnings("ignore:unclosed <s:ResourceWarning")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> SiteFiles:
    return site_files(tmp_path_factory.mktemp("site"))


def plain(broker: Broker) -> PahoTransport:
    return PahoTransport(
        broker,
        site="saltmarsh-yard",
        node="north",
        login=LOGIN,
        will=(NORTH + "status", b'{"st":"gone"}'),
        words=[NORTH + "ack"],
    )


@contextmanager
def transport(broker: Broker) -> Iterator[PahoTransport]:
    made = plain(broker)
    try:
        yield made
    finally:
        made.close()


def heard(made: PahoTransport) -> Event:
    event = made.next_event(DEADLINE_S)
    assert event is not None
    return event


def encrypted(site: SiteFiles, port: int, **changes: str) -> Broker:
    return replace(Broker(port=port, ca_file=str(site.tls.ca)), **changes)  # type: ignore[arg-type]  # names of Broker


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_the_sites_certificate_is_taken(site: SiteFiles, protocol: str) -> None:
    with (
        listening_with(server_context(site.tls.cert, site.tls.key)) as (_, port),
        transport(encrypted(site, port, protocol=protocol)) as made,
    ):
        made.connect()
        assert heard(made) == Event(kind="connected")


def test_another_authoritys_certificate_is_not(site: SiteFiles, tmp_path: Path) -> None:
    stranger = site_files(tmp_path)
    with listening_with(server_context(stranger.tls.cert, stranger.tls.key)) as (listener, port):
        with transport(encrypted(site, port)) as made:
            made.connect()
            lost = heard(made)
        assert listener.counters()["auth_failures"] == 0, "no password went out"
    assert lost.kind == "lost"
    assert "certificate verify failed" in lost.reason


def test_a_certificate_of_another_name_is_not(site: SiteFiles) -> None:
    """The listener is reached as 127.0.0.2: the same computer, a name that the certificate has not."""
    context = server_context(site.tls.cert, site.tls.key)
    with (
        listening_with(context, host="127.0.0.2") as (_, port),
        transport(encrypted(site, port, host="127.0.0.2")) as made,
    ):
        made.connect()
        lost = heard(made)
    assert lost.kind == "lost"
    assert "IP address mismatch" in lost.reason


def test_a_listener_without_encryption_gets_nothing(site: SiteFiles) -> None:
    with listening() as yard, transport(encrypted(site, yard.port)) as made:
        made.connect()
        assert heard(made).kind == "lost"
        assert yard.directory.asked == 0


def test_off_this_computer_it_will_not_go_without() -> None:
    with pytest.raises(NodeError, match="ca_file, the site's certificate, off this computer"):
        plain(Broker(host="collector.lan"))


@pytest.mark.parametrize(("text", "came"), [("no certificate", "other text"), (None, "No such file")])
def test_a_certificate_that_is_none_is_said(tmp_path: Path, text: str | None, came: str) -> None:
    path = tmp_path / "ca.pem"
    if text is not None:
        path.write_text(text, "utf-8")
    with pytest.raises(NodeError, match=f"the site's certificate in {path}, got {came}"):
        plain(Broker(ca_file=str(path)))


def test_trust_is_in_this_authority_alone_and_1_2_at_least(site: SiteFiles) -> None:
    from sensors.publisher.transport import own_authority

    context = own_authority(site.tls.ca)
    assert len(context.get_ca_certs()) == 1
    assert context.minimum_version == ssl.TLSVersion.TLSv1_2
    assert context.check_hostname


def test_another_user_is_another_connection_and_no_fate_of_the_old_is_heard() -> None:
    with listening() as yard, transport(Broker(port=yard.port)) as made:
        made.connect()
        assert heard(made).kind == "connected"
        made.use(SECOND, LOGIN.password)
        assert made.next_event(0.05) is None, "it left by itself: nothing was lost"
        made.connect()
        assert heard(made).kind == "connected"
        made.use(SECOND, "0000000000000000")
        made.connect()
        assert [heard(made).kind, heard(made).kind] == ["refused", "lost"]


def test_a_word_that_came_before_is_still_heard_after(site: SiteFiles) -> None:
    with listening() as yard, transport(Broker(port=yard.port)) as made:
        yard.directory.put(NORTH + "ack", b"{}", 1)
        made.connect()
        word = Event(kind="word", topic=NORTH + "ack", payload=b"{}", retained=True)
        connected = heard(made)
        kept = heard(made)
        made._events.put(connected)
        made._events.put(kept)
        made.use(SECOND, LOGIN.password)
        assert (kept, made.next_event(DEADLINE_S), made.next_event(0.05)) == (word, word, None)

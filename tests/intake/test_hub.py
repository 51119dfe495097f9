"""Who is let in; sessions, down-links and wills over connections; what holds all back."""

import gc
from contextlib import ExitStack

import pytest

from server.intake.conversation import Conversation
from server.intake.packets import (
    Connack,
    Disconnect,
    Filter,
    Pingreq,
    Pingresp,
    Puback,
    Publish,
    Suback,
    Subscribe,
    Will,
)
from tests.fakes.intake import NORTH, SOUTH, RawClient, Yard, connect_of, listening, saltmarsh_yard, wait_for

BOTH = pytest.mark.parametrize("version", [4, 5])
WILL = Will(topic=NORTH + "status", payload=b'{"st":"gone"}', qos=1, retain=True)
KEPT: dict[int, dict[str, object]] = {
    4: {"clean": False},
    5: {"clean": False, "properties": {"session_expiry_s": 604800}},
}


def subscribe(client: RawClient, *leaves: str, **options: object) -> Suback:
    wishes = tuple(Filter(topic=NORTH + leaf, **{"qos": 1, **options}) for leaf in leaves)  # type: ignore[arg-type]  # names of Filter
    client.send(Subscribe(packet_id=1, filters=wishes))
    return client.receive(Suback)


# --- letting in. Each row: what changes in CONNECT, code in 3.1.1 (None: silence), code in 5.0
REFUSALS: list[tuple[str, dict[str, object], int | None, int]] = [
    ("wrong password", {"password": b"wrong"}, 4, 0x86),
    ("unknown user", {"user": "nobody"}, 4, 0x86),
    ("no user", {"user": None, "password": None}, 4, 0x86),
    ("revoked", {"user": "saltmarsh-yard.old.1"}, 5, 0x87),
    ("role of a broker", {"user": "collector"}, 5, 0x87),
    ("client id too long", {"client_id": "x" * 129}, 2, 0x85),
    ("will on another topic", {"will": Will(topic=NORTH + "readings", payload=b"")}, 5, 0x87),
    ("will on another node", {"will": Will(topic=SOUTH + "status", payload=b"")}, 5, 0x87),
    ("will of a watcher", {"user": "watcher", "will": WILL}, 5, 0x87),
    ("will of QoS 2", {"will": Will(topic=NORTH + "status", payload=b"", qos=2)}, None, 0x9B),
]


@BOTH
@pytest.mark.parametrize(("what", "changes", "code_3", "code_5"), REFUSALS, ids=[row[0] for row in REFUSALS])
def test_who_is_not_let_in(
    version: int, what: str, changes: dict[str, object], code_3: int | None, code_5: int
) -> None:
    with listening() as yard, yard.client(version) as client:
        client.send(connect_of(version, **changes), Pingreq())  # 3:3.1.4-5: what follows is not read
        code = code_3 if version == 4 else code_5
        if code is not None:
            assert client.receive(Connack).code == code
        assert client.is_closed()
        assert yard.count("refused_connects") == 1


FAULTY = [("10 0C 0004 4D515454 03 02 003C 0000", 4, 1), ("10 0C 0004 4D515454 07 02 003C 0000", 5, 0x84)]
FAULTY += [("10 0D 0004 4D515454 05 03 003C 00 0000", 5, 0x81)]
FAULTY += [("10 0E 0004 4D515454 05 02 003C 00 0000 00", 5, 0x81)]


@pytest.mark.parametrize(("text", "version", "code"), FAULTY)
def test_a_faulty_connect_that_is_answered(text: str, version: int, code: int) -> None:
    with listening() as yard, yard.client(version) as client:  # 3:3.1.2-2, 5:3.1.2-2, 5:3.1.2-3
        client.send(bytes.fromhex(text))
        assert client.receive(Connack).code == code
        assert client.is_closed()


@pytest.mark.parametrize(
    "text",
    ["10 0C 0004 4D515454 04 03 003C 0000", "10 0E 0006 4D5149736470 03 02 003C 0000", "C0 00", "hello"],
)
def test_a_first_packet_that_is_not_answered(text: str) -> None:
    with listening() as yard, yard.client() as client:  # 3:3.1.0-1, 3:3.1.2-1, 3:3.1.2-3, 5:3.1.0-1
        client.send(bytes.fromhex(text) if text != "hello" else b"GET / HTTP/1.1\r\n\r\n")
        assert client.is_closed()


@BOTH
def test_a_credential_that_is_revoked_loses_its_connection_and_no_other(version: int) -> None:
    with listening() as yard, yard.client(version) as first, yard.client(version) as second:
        first.connect(client_id="first")
        second.connect(client_id="second", user="saltmarsh-yard.north.2")
        yard.listener.drop({1})
        if version == 5:
            assert first.receive(Disconnect).code == 0x87
        assert first.is_closed()
        second.send(Pingreq())
        assert second.receive(Pingresp) == Pingresp()


def test_an_empty_client_id() -> None:
    with listening() as yard:
        with yard.client(4) as client:  # 3:3.1.3-8
            assert client.connect(client_id="", clean=False).code == 2
        with yard.client(4) as client:  # 3:3.1.3-6
            assert client.connect(client_id="").code == 0
        with yard.client(5) as client:  # 5:3.1.3-6, -7
            assert str(client.connect(client_id="").properties["assigned_client_id"]).startswith("ht-")


def test_a_5_client_is_told_the_bounds() -> None:
    with listening() as yard, yard.client(5) as client:
        told = client.connect(keep_alive_s=0, properties={"session_expiry_s": 2**32 - 1}).properties
    assert told == {
        "maximum_qos": 1,
        "receive_maximum": 200,
        "maximum_packet_bytes": 20480,
        "retain_available": 1,
        "wildcard_available": 1,
        "subscription_id_available": 0,
        "shared_available": 0,
        "topic_alias_maximum": 0,
        "server_keep_alive_s": 1800,
        "session_expiry_s": 2592000,
    }


def test_another_method_of_authentication_is_refused() -> None:  # 5:4.12.0-1
    with listening() as yard, yard.client(5) as client:
        assert client.connect(properties={"authentication_method": "other"}).code == 0x8C


def test_five_failures_slow_the_address_down() -> None:
    with listening(failures=3, failure_wait_s=0.3) as yard:
        for _ in range(3):
            with yard.client() as client:
                assert client.connect(password=b"wrong").code == 4
        with yard.client() as client:
            client.send(connect_of(4))
            assert client.is_quiet()
            assert client.receive(Connack).code == 0
        assert yard.count("auth_failures") == 3


def test_more_checks_than_may_wait_are_refused_and_the_rest_answered() -> None:
    directory = saltmarsh_yard()
    directory.gate.clear()
    with listening(directory, checks_waiting=1) as yard, ExitStack() as sockets:
        clients = [sockets.enter_context(yard.client()) for _ in range(4)]
        for number, client in enumerate(clients[:3]):
            client.send(connect_of(4, client_id=f"c{number}"))
        wait_for(lambda: directory.asked == 2, "two checks at once")
        assert clients[3].connect(client_id="c3").code == 3
        directory.gate.set()
        assert [client.receive(Connack).code for client in clients[:3]] == [0, 0, 0]


@pytest.mark.parametrize("limit", ["connections", "connections_an_address"])
def test_one_connection_too_many_is_told_so(limit: str) -> None:
    with listening(None, **{limit: 2}) as yard:
        with yard.client(5) as one, yard.client(5) as two, yard.client(5) as many, yard.client(4) as old:
            one.connect(client_id="one")
            two.connect(client_id="two")
            assert many.connect(client_id="many").code == 0x97
            assert old.connect(client_id="old").code == 3
        wait_for(lambda: yard.count("connections") == 0, "all sockets to close")
        with yard.client(5) as again:
            assert again.connect().code == 0


def test_a_directory_that_fails_is_a_store_that_is_away(caplog: pytest.LogCaptureFixture) -> None:
    directory = saltmarsh_yard()
    del directory.identities["saltmarsh-yard.north.1"]  # identify raises KeyError
    with listening(directory) as yard, yard.client(5) as client:
        assert client.connect().code == 0x88
        assert client.is_closed()
    assert "the database could not be asked: KeyError" in caplog.messages


# --- sessions and down-links


@BOTH
def test_a_new_subscription_is_sent_what_is_retained_and_changes_after_it(version: int) -> None:
    with listening() as yard, yard.client(version) as node:
        yard.directory.put(NORTH + "config", b"one", 1)
        node.connect()
        assert subscribe(node, "config", "ack").codes == (1, 1)
        assert node.receive(Publish) == Publish(
            topic=NORTH + "config", payload=b"one", qos=1, retain=True, packet_id=1
        )  # 3:3.3.1-8
        node.send(Puback(packet_id=1))
        yard.listener.send([yard.directory.put(NORTH + "config", b"two", 2)])
        assert node.receive(Publish) == Publish(
            topic=NORTH + "config", payload=b"two", qos=1, packet_id=1
        )  # 3:3.3.1-9
        yard.listener.send([yard.directory.put(SOUTH + "config", b"not yours", 9)])
        assert node.is_quiet()


def test_one_delivery_of_a_topic_at_a_time_and_then_the_newest() -> None:
    with listening() as yard, yard.client() as node:
        node.connect()
        subscribe(node, "ack")
        for rev in (1, 2, 3):
            yard.listener.send([yard.directory.put(NORTH + "ack", b"%d" % rev, rev)])
        assert node.receive(Publish).payload == b"1"
        assert node.is_quiet()
        node.send(Puback(packet_id=2))
        assert node.receive(Publish).payload == b"3"


@BOTH
def test_an_unacknowledged_downlink_comes_again_in_its_newest_revision(version: int) -> None:
    with listening() as yard:
        with yard.client(version) as node:
            assert not node.connect(**KEPT[version]).session_present
            subscribe(node, "config", "ack")
            yard.listener.send([yard.directory.put(NORTH + "ack", b"old", 1)])
            first = node.receive(Publish)
        wait_for(lambda: yard.count("connections") == 0, "the cut")
        yard.directory.put(NORTH + "ack", b"new", 2)
        yard.directory.put(NORTH + "config", b"first", 1)
        with yard.client(version) as node:
            assert node.connect(**KEPT[version]).session_present  # 3:3.2.2-2
            again = {packet.topic: packet for packet in (node.receive(Publish), node.receive(Publish))}
            assert again[NORTH + "ack"].payload == b"new"
            assert again[NORTH + "ack"].dup  # 3:4.4.0-1
            assert again[NORTH + "ack"].packet_id == first.packet_id
            assert not again[NORTH + "config"].dup, "it was never sent before"
            node.send(*(Puback(packet_id=packet.packet_id or 0) for packet in again.values()), Disconnect())
            assert node.is_closed()
        with yard.client(version) as node:
            node.connect(**KEPT[version])
            assert node.is_quiet(), "what was acknowledged comes again"


def test_a_kept_session_outlives_the_listener() -> None:
    directory = saltmarsh_yard()
    with listening(directory) as yard, yard.client() as node:
        node.connect(**KEPT[4])
        subscribe(node, "ack")
    with listening(directory) as yard, yard.client() as node:
        assert node.connect(**KEPT[4]).session_present
        yard.listener.send([directory.put(NORTH + "ack", b"one", 1)])
        assert node.receive(Publish).payload == b"one"
    with listening(directory) as yard, yard.client() as node:
        assert not node.connect(clean=True).session_present
        node.send(Disconnect())
        assert node.is_closed()
    assert directory.sessions == {}


@BOTH
def test_a_client_id_is_taken_over_by_its_own_node(version: int) -> None:
    with listening() as yard, yard.client(version) as old, yard.client(version) as new:
        old.connect(**KEPT[version], will=WILL)
        subscribe(old, "ack")
        assert new.connect(**KEPT[version], user="saltmarsh-yard.north.2").session_present
        if version == 5:
            assert old.receive(Disconnect).code == 0x8E  # 5:3.1.4-3
        assert old.is_closed()  # 3:3.1.4-2
        yard.listener.send([yard.directory.put(NORTH + "ack", b"one", 1)])
        assert new.receive(Publish).payload == b"one"
        assert yard.count("take_overs") == 1


@BOTH
def test_a_client_id_is_not_taken_from_another_node(version: int) -> None:
    with listening() as yard, yard.client(version) as north, yard.client(version) as south:
        north.connect(**KEPT[version])
        code = 2 if version == 4 else 0x85
        assert south.connect(user="saltmarsh-yard.south.1").code == code
        north.send(Disconnect())
        assert north.is_closed()
        with yard.client(version) as again:  # nor while it is away
            assert again.connect(user="saltmarsh-yard.south.1").code == code


def test_a_watcher_sees_packs_once_they_are_committed_and_no_secret() -> None:
    with (
        listening() as yard,
        yard.client() as watcher,
        yard.client() as other,
        yard.client(5) as node,
    ):
        other.connect(client_id="o", user="watcher")
        other.send(Subscribe(packet_id=1, filters=(Filter(topic="hangtrue/v1/+/south/#"),)))
        other.receive(Suback)
        watcher.connect(client_id="w", user="watcher")
        everything = Filter(topic="hangtrue/v1/#", qos=1)
        secret = Filter(topic=NORTH + "secret", qos=1)
        watcher.send(Subscribe(packet_id=1, filters=(everything, secret, Filter(topic="#"))))
        assert watcher.receive(Suback).codes == (0, 0, 0x80)
        node.connect()
        node.send(Publish(topic=NORTH + "readings", payload=b"[1]", qos=1, packet_id=1))
        node.send(Publish(topic=NORTH + "readings", payload=b"[2]", qos=1, packet_id=2))
        yard.queue.wait(2)
        yard.listener.send([yard.directory.put(NORTH + "secret", b"key", 1)])
        assert watcher.is_quiet()
        yard.listener.taken(yard.queue.taken("not-json", None))
        assert watcher.receive(Publish) == Publish(topic=NORTH + "readings", payload=b"[2]")
        assert other.is_quiet()
        watcher.send(Publish(topic=NORTH + "status", payload=b"{}"))
        assert watcher.is_closed()


@BOTH
def test_a_watcher_has_so_many_filters_and_no_more(version: int) -> None:
    with listening(filters=2) as yard, yard.client(version) as watcher:
        watcher.connect(user="watcher")
        wishes = tuple(Filter(topic=f"hangtrue/v1/{number}/#") for number in (1, 2, 3, 1))
        watcher.send(Subscribe(packet_id=1, filters=wishes))
        assert watcher.receive(Suback).codes == (0, 0, 0x80 if version == 4 else 0x97, 0)


def test_the_session_of_a_client_that_stays_is_renewed() -> None:
    with listening(renew_s=0.0) as yard, yard.client() as node:
        node.connect(**KEPT[4])
        wait_for(lambda: yard.directory.saves > 2, "it to be saved again")


def test_nothing_is_kept_of_connections_that_are_gone() -> None:
    def conversations() -> int:
        gc.collect()
        return sum(isinstance(each, Conversation) for each in gc.get_objects())

    with listening() as yard:
        for version in (4, 5):
            with yard.client(version) as node, yard.client(version) as watcher:
                node.connect(**KEPT[version])
                subscribe(node, "ack")
                watcher.connect(client_id="w", user="watcher")
                assert conversations() >= 2
        wait_for(lambda: conversations() == 0, "all to be forgotten")


# --- wills


@BOTH
@pytest.mark.parametrize("ending", ["cut", "fault"])
def test_a_will_is_published_when_the_connection_breaks(version: int, ending: str) -> None:
    with listening() as yard, yard.client(version) as node:  # 3:3.1.2-8
        node.connect(will=WILL)
        node.send(b"\x00\x00") if ending == "fault" else node.cut()
        offer = yard.queue.wait(1)[0]
        assert (offer.topic, offer.payload, offer.retain, offer.token) == (
            WILL.topic,
            WILL.payload,
            True,
            None,
        )


def test_a_farewell_takes_the_will_along_unless_it_says_otherwise() -> None:
    with listening() as yard:
        for version, code in ((4, 0), (5, 0), (5, 4)):  # 3:3.14.4-3, 5:3.14.4-3
            with yard.client(version) as node:
                node.connect(will=WILL)
                node.send(Disconnect(code=code))
                assert node.is_closed()
        wait_for(lambda: yard.count("connections") == 0, "all to go")
        assert len(yard.queue.offers) == 1


def test_a_will_with_delay_is_dropped_when_the_session_goes_on() -> None:
    kept: dict[str, object] = {"properties": {"session_expiry_s": 600}}
    will = Will(topic=WILL.topic, payload=WILL.payload, properties={"will_delay_s": 100})
    with listening() as yard:
        with yard.client(5) as node:
            node.connect(will=will, **kept)
        wait_for(lambda: yard.count("connections") == 0, "the cut")
        with yard.client(5) as node:  # 5:3.1.3-9
            node.connect(clean=False, will=will, **kept)
        wait_for(lambda: yard.count("connections") == 0, "the second cut")
        assert yard.queue.offers == []
        with yard.client(5) as node:  # the session ends: now it is due
            node.connect(clean=True)
            assert yard.queue.wait(1)[0].topic == WILL.topic


# --- what holds all back


def test_a_full_line_pauses_all_and_refuses_newcomers() -> None:
    with listening() as yard, yard.client() as north, yard.client() as south, yard.client(5) as late:
        north.connect()
        south.connect(client_id="south", user="saltmarsh-yard.south.1")
        yard.queue.full = True
        north.send(Publish(topic=NORTH + "readings", payload=b"[]", qos=1, packet_id=1))
        yard.queue.wait(1)
        wait_for(lambda: yard.count("queue_pauses") == 1, "the pause")
        south.send(Pingreq())
        assert south.is_quiet()
        assert late.connect(client_id="late").code == 0x88
        yard.queue.full = False
        yard.listener.taken(yard.queue.taken(None))
        assert south.receive(Pingresp) == Pingresp()
        assert north.receive(Puback).packet_id == 1


def test_who_is_let_in_while_the_line_fills_is_paused_too() -> None:
    with listening() as yard, yard.client() as node, yard.client() as late:
        node.connect()
        yard.directory.gate.clear()
        late.send(connect_of(4, client_id="late"), Pingreq())
        wait_for(lambda: yard.directory.asked == 2, "the check of the second")
        yard.queue.full = True
        node.send(Publish(topic=NORTH + "readings", payload=b"[]"))
        wait_for(lambda: yard.count("queue_pauses") == 1, "the pause")
        yard.directory.gate.set()
        assert late.receive(Connack).code == 0
        assert late.is_quiet()
        yard.queue.full = False  # seen by itself in a moment
        assert late.receive(Pingresp) == Pingresp()


@BOTH
def test_a_store_that_fails_for_long_ends_the_connection_without_a_puback(version: int) -> None:
    with listening(stall_s=0.1) as yard, yard.client(version) as node:
        node.connect()
        node.send(Publish(topic=NORTH + "readings", payload=b"[]", qos=1, packet_id=1))
        if version == 5:
            assert node.receive(Disconnect).code == 0x83
        assert node.is_closed()  # 3:4.8.0-2
        with yard.client(4) as late:
            assert late.connect().code == 3
        if version == 4:
            yard.listener.taken(yard.queue.taken(None))
        is_let_in(yard)  # 5: no commit, and yet it is asked again after a while


def is_let_in(yard: Yard) -> None:
    def is_in() -> bool:
        with yard.client() as client:
            return client.connect(client_id="later") == Connack()

    wait_for(is_in, "the store to be tried again")


def test_a_retained_reading_is_stored_and_warned_of_once_a_day(caplog: pytest.LogCaptureFixture) -> None:
    with listening() as yard, yard.client() as node:
        node.connect()
        node.send(*[Publish(topic=NORTH + "readings", payload=b"[]", retain=True)] * 3)
        yard.queue.wait(3)
        wait_for(lambda: yard.count("retained_readings") == 3, "three readings")
    assert len([line for line in caplog.messages if "RETAIN" in line]) == 1


def test_a_flood_of_connections_is_cut_off_and_the_nodes_live_on() -> None:
    with listening(connections_an_address=20) as yard, yard.client() as node, ExitStack() as flood:
        node.connect()
        for _ in range(100):
            flood.enter_context(yard.client())
        wait_for(lambda: yard.count("refused_connects") >= 61, "the flood to be cut off")
        wait_for(lambda: yard.count("connections") <= 40, "their sockets to close")
        node.send(Pingreq())
        assert node.receive(Pingresp) == Pingresp()

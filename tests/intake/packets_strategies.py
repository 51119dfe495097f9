"""Packets drawn at random, for the laws of the codec."""

from hypothesis import strategies as st

from server.intake.packets import (
    Connack,
    Connect,
    Disconnect,
    Filter,
    Packet,
    Pingreq,
    Pingresp,
    Puback,
    Publish,
    Suback,
    Subscribe,
    Unsuback,
    Unsubscribe,
    Will,
)
from server.intake.properties import NONE, names_of

TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
IDS = st.integers(1, 65535)
_FORMS: dict[str, st.SearchStrategy[object]] = {
    "byte": st.integers(0, 1),
    "u16": st.integers(1, 65535),
    "u32": st.integers(1, 2**32 - 1),
    "varint": st.integers(1, 268_435_455),
    "text": TEXT,
    "binary": st.binary(max_size=20),
    "pair": st.lists(st.tuples(TEXT, TEXT), min_size=1, max_size=3).map(tuple),
}


def properties(packet: str, version: int) -> st.SearchStrategy[object]:
    """A property block of a packet of that name; none in 3.1.1."""
    if version == 4:
        return st.just(NONE)
    optional = {name: _FORMS[form] for name, form in names_of(packet).items()}
    return st.fixed_dictionaries({}, optional=optional)


def packets(version: int) -> st.SearchStrategy[Packet]:
    """Any packet of that version."""
    five = version == 5
    codes = st.integers(0, 255)
    return st.one_of(
        connects(version),
        st.builds(
            Connack, session_present=st.booleans(), code=codes, properties=properties("connack", version)
        ),
        publishes(version),
        st.builds(
            Puback,
            packet_id=IDS,
            code=codes if five else st.just(0),
            properties=properties("puback", version),
        ),
        st.builds(
            Subscribe,
            packet_id=IDS,
            filters=st.lists(filters(version), min_size=1, max_size=4).map(tuple),
            properties=properties("subscribe", version),
        ),
        st.builds(
            Suback,
            packet_id=IDS,
            codes=st.lists(codes, max_size=4).map(tuple),
            properties=properties("suback", version),
        ),
        st.builds(
            Unsubscribe,
            packet_id=IDS,
            filters=st.lists(TEXT, min_size=1, max_size=4).map(tuple),
            properties=properties("unsubscribe", version),
        ),
        st.builds(
            Unsuback,
            packet_id=IDS,
            codes=st.lists(codes, max_size=4 if five else 0).map(tuple),
            properties=properties("unsuback", version),
        ),
        st.builds(
            Disconnect, code=codes if five else st.just(0), properties=properties("disconnect", version)
        ),
        st.just(Pingreq()),
        st.just(Pingresp()),
    )


def filters(version: int) -> st.SearchStrategy[Filter]:
    """One wish of a SUBSCRIBE."""
    if version == 4:
        return st.builds(Filter, topic=TEXT, qos=st.integers(0, 2))
    return st.builds(
        Filter,
        topic=TEXT,
        qos=st.integers(0, 2),
        no_local=st.booleans(),
        retain_as_published=st.booleans(),
        retain_handling=st.integers(0, 2),
    )


@st.composite
def publishes(draw: st.DrawFn, version: int) -> Publish:
    """A PUBLISH whose identifier and DUP fit its QoS."""
    qos = draw(st.integers(0, 2))
    return Publish(
        topic=draw(TEXT),
        payload=draw(st.binary(max_size=200)),
        qos=qos,
        retain=draw(st.booleans()),
        dup=bool(qos) and draw(st.booleans()),
        packet_id=draw(IDS) if qos else None,
        properties=draw(properties("publish", version)),  # type: ignore[arg-type]  # a mapping of the right forms
    )


@st.composite
def connects(draw: st.DrawFn, version: int) -> Connect:
    """A CONNECT that its version allows."""
    block = dict(draw(properties("connect", version)))  # type: ignore[call-overload]  # a mapping
    if "authentication_method" not in block:
        block.pop("authentication_data", None)
    user = draw(st.none() | TEXT)
    will = st.builds(
        Will,
        topic=TEXT,
        payload=st.binary(max_size=20),
        qos=st.integers(0, 2),
        retain=st.booleans(),
        properties=properties("will", version),
    )
    may_have_password = version == 5 or user is not None
    return Connect(
        version=version,
        client_id=draw(TEXT),
        clean=draw(st.booleans()),
        keep_alive_s=draw(st.integers(0, 65535)),
        will=draw(st.none() | will),
        user=user,
        password=draw(st.none() | st.binary(max_size=20)) if may_have_password else None,
        properties=block,
    )

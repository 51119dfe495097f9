"""Tokens of the feed: one a person, kept as a hash, gone when it is taken back."""

from sqlalchemy import Engine, select

from server.alerts.delivery.fetching import Reader, give_token, reader_of, readers, retire_tokens
from server.alerts.delivery.tables import FeedRow
from server.database import session_of
from tests.alerts.delivery.stored import AT


def test_a_token_is_known_by_its_hash_alone(engine: Engine) -> None:
    with session_of(engine) as session:
        token = give_token(session, "maker", doors=[2, 1], at=AT, random_bytes=lambda many: b"\x01" * many)
        assert len(token) == 32
        assert reader_of(session, token) == Reader(name="maker", doors=frozenset({1, 2}), made=AT)
        (row,) = session.scalars(select(FeedRow)).all()
        assert token not in f"{row.token} {row.name} {row.doors}"
        assert len(row.token) == 64


def test_a_new_one_takes_the_place_of_the_old(engine: Engine) -> None:
    with session_of(engine) as session:
        first = give_token(session, "maker", doors=None, at=AT)
        other = give_token(session, "keeper", doors=None, at=AT)
        second = give_token(session, "maker", doors=None, at=AT)
        assert first != second
        assert reader_of(session, first) is None
        assert [one.name for one in readers(session)] == ["keeper", "maker"]
        assert retire_tokens(session, "maker", at=AT) == 1
        assert retire_tokens(session, "maker", at=AT) == 0
        assert reader_of(session, second) is None
        assert reader_of(session, other) is not None


def test_what_is_no_token_is_nobody(engine: Engine) -> None:
    with session_of(engine) as session:
        give_token(session, "maker", doors=None, at=AT)
        assert [reader_of(session, text) for text in ("", "x" * 65, "'", "ü")] == [None] * 4

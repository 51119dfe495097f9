"""The way in as the service opens it: by its own listener or by a broker, plain or encrypted."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import Engine

from server.auth.credentials import in_force, issue
from server.config import Address, Broker, Settings
from server.database import session_of
from server.doors.register import enrol_node
from server.doors.tables import Node
from server.errors import SettingsError
from server.intake.values import DownlinkValue
from server.service.intakes import Intake
from server.service.ports import bind
from server.service.rotations import begin, retire
from tests.fakes.certificates import site_files
from tests.fakes.clock import HandClock
from tests.fakes.intake import NORTH, RawClient, wait_for
from tests.fakes.mosquitto import PASSWORD, mosquitto
from tests.intake.test_broker import hearing, place
from tests.refusals import refuses

LOCAL = Address(host="127.0.0.1", port=0)
USER = "saltmarsh-yard.north.1"


def settings(folder: Path, **changes: object) -> Settings:
    plain = Settings(state_dir=folder, database="sqlite://", intake_bind=LOCAL)
    return replace(plain, **changes)  # type: ignore[arg-type]  # the names are those of Settings


@contextmanager
def opened(way: Intake, engine: Engine, address: Address | None = LOCAL) -> Iterator[Intake]:
    if address is None:
        with way.opened(engine, None):
            yield way
        return
    with bind(address, what="take readings") as listening, way.opened(engine, listening):
        yield way


def enrolled(engine: Engine, clock: HandClock) -> tuple[int, str]:
    with session_of(engine) as session:
        node = enrol_node(session, "saltmarsh-yard", "north", kind="tracked", zone="UTC", now=clock())
        return node.id, issue(session, node_id=node.id, user=USER, role="node", generation=1, now=clock())


def test_a_node_that_is_retired_is_shut_out(engine: Engine, clock: HandClock, tmp_path: Path) -> None:
    node_id, password = enrolled(engine, clock)
    with (
        opened(Intake(settings(tmp_path), clock=clock), engine) as way,
        RawClient(way.address.port) as client,
    ):
        assert client.connect(password=password.encode()).code == 0
        way.drop_revoked()
        assert way.counters()["connections"] == 1
        with session_of(engine) as session:
            retire(session, session.get_one(Node, node_id), "saltmarsh-yard", now=clock())
        way.drop_revoked()
        assert client.is_closed()
        wait_for(lambda: way.counters()["connections"] == 0, "the end")


def test_off_this_computer_it_will_not_listen_without_a_certificate(
    engine: Engine, clock: HandClock, tmp_path: Path
) -> None:
    everywhere = Address(host="0.0.0.0", port=0)  # noqa: S104  (what is refused)
    way = Intake(settings(tmp_path, intake_bind=everywhere), clock=clock)
    needed = "intake.cert and intake.key"
    with (
        refuses(SettingsError, asked=everywhere.host, needed=needed, came="no certificate"),
        opened(way, engine, everywhere),
    ):
        pass


def test_with_one_it_listens_and_reads_it_again(
    engine: Engine, clock: HandClock, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO", "hangtrue.service")
    tls = site_files(tmp_path).tls
    way = Intake(settings(tmp_path, intake_cert=tls.cert, intake_key=tls.key), clock=clock)
    with opened(way, engine, Address(host="0.0.0.0", port=0)):  # noqa: S104  (with TLS)
        way.renew_certificate()
        wait_for(lambda: "the certificate was read again" in caplog.messages, "the certificate")
        tls.cert.write_text("torn", "utf-8")
        way.renew_certificate()
        wait_for(
            lambda: [one for one in caplog.messages if "the old certificate stays" in one], "the refusal"
        )


def test_a_certificate_that_cannot_be_used_stops_the_start(clock: HandClock, tmp_path: Path) -> None:
    none = tmp_path / "none.pem"
    with refuses(SettingsError, asked="listen for nodes", needed=str(none), came="No such file"):
        Intake(settings(tmp_path, intake_cert=none, intake_key=none), clock=clock)


def test_by_a_broker_words_of_other_commands_are_told_and_cleared(
    engine: Engine, clock: HandClock, tmp_path: Path
) -> None:
    node_id, _ = enrolled(engine, clock)
    secret = NORTH + "secret"
    with mosquitto(tmp_path / "broker") as broker:
        ours = settings(tmp_path, intake_kind="broker", broker=place(tmp_path, broker.port))
        with opened(Intake(ours, clock=clock), engine, None) as way:
            assert way.address == Address(host="127.0.0.1", port=broker.port)
            with session_of(engine) as session:
                node = session.get_one(Node, node_id)
                begin(session, node, "saltmarsh-yard", is_leak=False, anew=False, now=clock())
            way.send([DownlinkValue(topic=NORTH + "config", payload=b"{}", rev=1)])
            with hearing(broker.port, NORTH + "config", secret) as heard:
                wait_for(lambda: len(heard.messages) == 2, "both words")
                assert b'"gen":2' in heard.payloads(secret)[0]
                with session_of(engine) as session:
                    retire(session, session.get_one(Node, node_id), "saltmarsh-yard", now=clock())
                way.send([])
                wait_for(lambda: heard.payloads(secret)[1:] == [b""], "its clearing")


def test_when_an_old_password_ends_the_brokers_files_follow(
    engine: Engine, clock: HandClock, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    node_id, _ = enrolled(engine, clock)
    (tmp_path / "broker").mkdir()
    with opened(Intake(settings(tmp_path, broker=Broker()), clock=clock), engine) as way:
        with session_of(engine) as session:
            node = session.get_one(Node, node_id)
            begin(session, node, "saltmarsh-yard", is_leak=True, anew=False, now=clock())
        clock.advance(days=7)
        way.send([])
        with session_of(engine) as session:
            assert [one.generation for one in in_force(session)] == [2]
    access = (tmp_path / "broker" / "access").read_text("utf-8")
    assert "user saltmarsh-yard.north.2\n" in access
    assert USER not in access
    assert PASSWORD not in caplog.text
    assert any("let the broker read them again" in line for line in caplog.messages)

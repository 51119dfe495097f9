"""The broker's two files follow the credentials in force."""

from dataclasses import replace
from pathlib import Path

from sqlalchemy.orm import Session

from server.auth.broker_passwords import password_line, users_of
from server.auth.credentials import issue, revoke
from server.config import Settings
from server.doors.register import enrol_node
from server.service.broker_folder import folder_of, keep_users, place_in
from tests.fakes.certificates import site_files
from tests.fakes.clock import HandClock

NORTH, SOUTH = "saltmarsh-yard.north.1", "saltmarsh-yard.south.1"


def enrol(session: Session, clock: HandClock, name: str) -> tuple[str, str]:
    node = enrol_node(session, "saltmarsh-yard", name, kind="tracked", zone="UTC", now=clock())
    user = f"saltmarsh-yard.{name}.1"
    return user, issue(session, node_id=node.id, user=user, role="node", generation=1, now=clock())


def test_who_is_in_force_is_in_both_files_and_who_has_no_line_is_told(
    session: Session, clock: HandClock, tmp_path: Path
) -> None:
    lines = {user: password_line(user, password) for user, password in [enrol(session, clock, "north")]}
    enrol(session, clock, "south")
    issue(session, node_id=None, user="screen", role="watch", generation=1, now=clock())
    lines["collector"] = password_line("collector", "x")
    assert keep_users(session, tmp_path, collector="collector", lines=lines) == [SOUTH]
    assert users_of((tmp_path / "passwords").read_text("utf-8")) == {NORTH, "collector"}
    access = (tmp_path / "access").read_text("utf-8")
    assert [line for line in access.splitlines() if line.startswith("user ")] == [
        f"user {NORTH}",
        f"user {SOUTH}",
        "user collector",
    ]
    revoke(session, NORTH, now=clock())
    assert keep_users(session, tmp_path, collector="collector") == [SOUTH]
    assert users_of((tmp_path / "passwords").read_text("utf-8")) == {"collector"}
    assert NORTH not in (tmp_path / "access").read_text("utf-8")


def test_the_broker_listens_to_all_only_with_a_certificate(tmp_path: Path) -> None:
    settings = Settings(state_dir=tmp_path, database="sqlite://")
    plain = place_in(settings, port=None, data=tmp_path)
    assert (plain.port, plain.address, plain.tls) == (1883, "127.0.0.1", None)
    site_files(tmp_path / "ca")
    tls = place_in(settings, port=None, data=tmp_path)
    assert (tls.port, tls.address) == (8883, None)
    assert tls.tls is not None
    assert place_in(replace(settings), port=9, data=tmp_path).port == 9
    assert plain.passwords == folder_of(settings) / "passwords"

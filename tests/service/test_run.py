"""The service opened and ended with channels of its settings: who is told, what children are not told."""

from pathlib import Path

import pytest
from sqlalchemy import select

from server.alerts.delivery.posts import posts_of
from server.alerts.delivery.tables import PostRow
from server.config import read_settings
from server.database import open_engine, session_of
from server.errors import FileError, SettingsError
from server.schema import upgrade
from server.service.run import Service, running
from tests.alerts.delivery.servers import says, web_server
from tests.alerts.delivery.stored import composed, raised, yard
from tests.fakes.clock import HandClock
from tests.service import boxes
from tests.service.test_messages import until


def test_a_wrong_file_is_refused_before_anything_is_opened(tmp_path: Path) -> None:
    file = tmp_path / "hangtrue.toml"
    file.write_text(f'state_dir = "{tmp_path}/state"\n[[delivery.channel]]\nname = "hook"\nkind = "pigeon"\n')
    with pytest.raises(FileError), running(read_settings(file, environment={}), clock=HandClock()):
        pass
    assert not (tmp_path / "state").exists()


def test_a_secret_that_others_can_read_is_refused(tmp_path: Path) -> None:
    settings = boxes.told_settings(tmp_path, f"sqlite:///{tmp_path}/yard.db", web_port=1, mail_port=1)
    (tmp_path / "hook.secret").chmod(0o640)
    with pytest.raises(SettingsError, match="chmod 600"), running(settings, clock=HandClock()):
        pass


def test_a_running_service_carries_what_waits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    url = f"sqlite:///{tmp_path}/yard.db"
    clock = HandClock()
    monkeypatch.setenv("HANGTRUE_DELIVERY_HOOK_SECRET", boxes.SECRET)
    with web_server(lambda _: says("204 No Content")) as web:
        boxes.told_settings(tmp_path, url, web_port=web.port, mail_port=9)
        file = tmp_path / "hangtrue.toml"
        kept = file.read_text().replace("[delivery]", '[intake]\nbind = "127.0.0.1:0"\n[delivery]')
        file.write_text(kept.replace("[pages]\n", '[pages]\nbind = "127.0.0.1:0"\n'))
        upgrade(url)
        engine = open_engine(url)
        with session_of(engine) as session:
            door = yard(session)
        with running(read_settings(file, environment={}, database=url), clock=clock) as service:
            with session_of(engine) as session:
                assert [row.channel for row in posts_of(session)] == ["post", "hook"]
                raised(session, door)
            composed(engine, at=clock())
            assert "HANGTRUE_DELIVERY_HOOK_SECRET" not in service.environment()
            assert service.environment()["HANGTRUE_PAGES_BASE_URL"] == "http://doors.yard.lan"
            until(lambda: len(web.requests) == 1)
            service.look_at_house(engine)
        assert [row.state for row in boxes.messages_of(engine)] == [
            "waiting",
            "sent",
        ]  # nobody answers as mail
        with session_of(engine) as session:
            assert session.scalars(select(PostRow.retired)).all() == [None, None]
        engine.dispose()


def test_without_an_address_of_its_own_links_lead_to_where_it_listens(tmp_path: Path) -> None:
    text = f'state_dir = "{tmp_path}"\n[pages]\nbind = "127.0.0.1:8061"\n'
    (tmp_path / "hangtrue.toml").write_text(text)
    service = Service(read_settings(tmp_path / "hangtrue.toml", environment={}), clock=HandClock())
    service.pages = service.settings.pages_bind
    assert service.saying.base_url == "http://127.0.0.1:8061"

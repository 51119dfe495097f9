"""The commands `notice list` and `notice test`: who is told, and one try of a channel."""

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from server import schema
from server.alerts.delivery.posts import NewPost, add_post
from server.cli.notices import notice
from server.config import Address
from server.database import open_engine, session_of
from server.errors import FileError, UnknownChannelError
from server.service.messages import site_name
from tests.alerts.delivery.servers import says, web_server
from tests.alerts.delivery.stored import composed, raised, yard
from tests.refusals import refuses

SECRET = "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # noqa: S105  # the standard's published one


@pytest.fixture
def settings(tmp_path: Path) -> SimpleNamespace:
    """Settings with an empty database and no channel."""
    url = f"sqlite:///{tmp_path / 'yard.db'}"
    schema.upgrade(url)
    return SimpleNamespace(
        database=url,
        delivery={},
        source=None,
        base_url="http://doors.yard.lan",
        pages_bind=Address(host="127.0.0.1", port=8060),
        zone=None,
    )


def with_hook(settings: SimpleNamespace, folder: Path, port: int) -> None:
    secret = folder / "secret"
    secret.write_text(SECRET)
    secret.chmod(0o600)
    hook = {"name": "hook", "kind": "webhook", "url": f"http://127.0.0.1:{port}/", "secret_file": str(secret)}
    settings.delivery = {"allow": ["127.0.0.1/32"], "channel": [hook]}


def run(settings: SimpleNamespace, *words: str) -> Result:
    return CliRunner().invoke(
        notice, list(words), obj=settings, standalone_mode=False, catch_exceptions=False
    )


def test_without_a_channel_it_says_so(settings: SimpleNamespace) -> None:
    assert run(settings, "list").output.startswith("No channel: nobody is told.")
    assert json.loads(run(settings, "list", "--json").output) == []


def test_it_lists_channels_and_what_waits(settings: SimpleNamespace, tmp_path: Path) -> None:
    with_hook(settings, tmp_path, 9)
    settings.delivery["channel"].append({"name": "phone", "kind": "apprise", "url_file": "/etc/phone"})
    engine = open_engine(settings.database)
    with session_of(engine) as session:
        door = yard(session)
        add_post(session, NewPost(channel="hook"))
        raised(session, door)
    composed(engine)
    engine.dispose()
    hook, phone = json.loads(run(settings, "list", "--json").output)
    assert (hook["channel"], hook["kind"], hook["waiting"], hook["last_sent"]) == (
        "hook",
        "webhook",
        1,
        "never",
    )
    assert (phone["channel"], phone["doors"]) == ("phone", "none yet")
    lines = run(settings, "list").output.splitlines()
    assert lines[0].split() == [
        "channel",
        "kind",
        "doors",
        "least",
        "waiting",
        "last",
        "sent",
        "last",
        "word",
    ]
    assert lines[1].split()[:5] == ["hook", "webhook", "all", "note", "1"]


@pytest.mark.parametrize(
    ("status", "word", "code"),
    [("200 OK", "sent", 0), ("404 No", "refused 404", 1), ("503 No", "busy 503", 1)],
)
def test_it_tries_a_channel_once(
    settings: SimpleNamespace, tmp_path: Path, status: str, word: str, code: int
) -> None:
    with web_server(lambda _: says(status)) as server:
        with_hook(settings, tmp_path, server.port)
        result = run(settings, "test", "hook")
    assert (result.output, result.return_value) == (f"{word}\n", code)
    assert len(server.requests) == 1
    event: dict[str, Any] = json.loads(server.bodies[0])
    assert event["subject"] == "A message to try this channel"
    assert SECRET not in result.output


def test_a_channel_that_is_not_set_up_is_refused_with_those_that_are(
    settings: SimpleNamespace, tmp_path: Path
) -> None:
    with refuses(UnknownChannelError, asked="try a channel", needed="none is set up", came="'hook'"):
        run(settings, "test", "hook")
    with_hook(settings, tmp_path, 9)
    with refuses(
        UnknownChannelError, asked="try a channel", needed="one of the settings: hook", came="'mail'"
    ):
        run(settings, "test", "mail")


def test_settings_that_cannot_be_used_are_refused(settings: SimpleNamespace) -> None:
    settings.delivery = {"channel": [{"name": "hook", "kind": "pigeon"}]}
    with pytest.raises(FileError):
        run(settings, "test", "hook")


def test_the_name_of_this_computer_fits_a_message_id() -> None:
    assert site_name()
    assert all(one.isalnum() or one in ".-" for one in site_name())


def test_the_feed_is_given_once_listed_and_taken_back(settings: SimpleNamespace) -> None:
    assert run(settings, "feed").output.startswith("Nobody fetches the feed")
    with pytest.raises(click.UsageError, match="who fetches it"):
        run(settings, "feed", " ")
    told = run(settings, "feed", "maker").output.splitlines()
    assert told[0].startswith("http://doors.yard.lan/feed/")
    assert told[0].endswith(".atom")
    assert told[1] == told[0].replace(".atom", ".ics")
    assert run(settings, "feed").output.startswith("maker, since 2")
    again = run(settings, "feed", "maker")
    assert "The addresses that maker had before are no longer good." in again.stderr
    assert again.stdout.splitlines()[0] != told[0]
    assert run(settings, "feed", "maker", "--end").output == "The addresses of maker are taken back.\n"
    assert run(settings, "feed", "maker", "--end").output == "maker has no address.\n"

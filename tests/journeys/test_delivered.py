"""From a mark to a mail and a webhook, by the real service, real servers and the real time."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

import pytest

from server.alerts.delivery.tries import life_of
from server.clock import utc_now
from tests.alerts.delivery.servers import Script, WebServer, says, web_server
from tests.alerts.delivery.test_mail import Box, mailbox
from tests.journeys.hung import hang
from tests.journeys.yard import Yard, make_yard, serving, until

# What is promised, and how long is waited before it is broken. Source: issue 9, "Done when".
PROMISED = timedelta(minutes=2)
LONG_S = 180.0
ENDED = ["refused", "sent", "sent"]
SECRET = "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # noqa: S105  # the standard's published one


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """What came of one mark at a door, told by three channels of which one refuses."""

    yard: Yard
    box: Box
    web: WebServer
    came: datetime
    states: dict[str, str]
    page: tuple[int, str]
    gone_port: int


def write_settings(yard: Yard, *, web_port: int, gone_port: int, mail_port: int) -> None:
    """Settings as an operator writes them: each way, at any hour, the night's look as soon as the day is."""
    urls = {"hook": web_port, "shed": gone_port}
    secrets = {f"{name}.url": f"http://127.0.0.1:{port}/" for name, port in urls.items()}
    for name, text in {"hook.secret": SECRET, **secrets}.items():
        (yard.folder / name).write_text(text)
        (yard.folder / name).chmod(0o600)
    settings = yard.config.read_text("utf-8")
    hooks = "".join(
        f"""[[delivery.channel]]
name = "{name}"
kind = "webhook"
url_file = "{yard.folder}/{name}.url"
secret_file = "{yard.folder}/hook.secret"
quiet = "00:00-00:00"
"""
        for name in urls
    )
    yard.config.write_text(
        f"""look_at = "00:00"
{settings}
[delivery]
allow = ["127.0.0.1/32"]
[[delivery.channel]]
name = "post"
kind = "mail"
server = "127.0.0.1:{mail_port}"
security = "none"
sender = "doors@yard.example"
to = "keeper@yard.example"
quiet = "00:00-00:00"
{hooks}""",
        "utf-8",
    )


def noted(came: list[datetime]) -> Callable[[WebServer], Script]:
    """A web server that takes everything and notes when."""

    def script(connection: object, request: bytes) -> None:
        came.append(utc_now())
        says("204 No Content")(connection, request)  # type: ignore[arg-type]  # the server's own socket

    return lambda _server: script


@pytest.fixture(scope="module")
def delivered(tmp_path_factory: pytest.TempPathFactory) -> Delivered:
    """A mark by command, and the service until each channel has come to its end."""
    came: list[datetime] = []
    yard = make_yard(tmp_path_factory.mktemp("delivered"))
    with (
        web_server(noted(came)) as web,
        web_server(lambda _: says("410 Gone")) as gone,
        mailbox() as (box, mail_port),
    ):
        write_settings(yard, web_port=web.port, gone_port=gone.port, mail_port=mail_port)
        hang(yard, door="north", years=0.1, seed=4)
        day = (utc_now() - timedelta(days=2)).date().isoformat()
        marked = yard.command("mark", "north", "rubs", "--on", day, "At the head.")
        assert marked.returncode == 0, marked.stderr
        with serving(yard) as served:
            until(lambda: came and box.mails, "a message by both ways", within_s=LONG_S)
            until(lambda: sorted(states(yard).values()) == ENDED, "each to be marked", within_s=LONG_S)
            page = served.get("/alerts")
    return Delivered(
        yard=yard, box=box, web=web, came=came[0], states=states(yard), page=page, gone_port=gone.port
    )


def states(yard: Yard) -> dict[str, str]:
    """How the message of each channel stands."""
    sql = "SELECT p.channel, m.state FROM message m JOIN keeper_post p ON p.id = m.post_id"
    return {str(channel): str(state) for channel, state in yard.rows(sql)}


def test_a_message_arrives_within_two_minutes_of_its_making(
    delivered: Delivered, record_property: Callable[[str, object], None]
) -> None:
    assert (delivered.states["post"], delivered.states["hook"]) == ("sent", "sent")
    (subject,) = {str(mail["Subject"]) for mail in delivered.box.mails}
    assert subject == "Rubs: North, head"
    (event,) = (json.loads(body) for body in delivered.web.bodies)
    assert event["type"] == "hangtrue.notice"
    ((expires, kind),) = set(delivered.yard.rows("SELECT expires, kind FROM message"))
    composed = datetime.fromisoformat(f"{expires}+00:00") - life_of(kind)
    took = delivered.came - composed
    record_property("composed_to_arrived_s", round(took.total_seconds(), 1))
    assert timedelta(0) < took <= PROMISED
    print(f"from composed to arrived: {took.total_seconds():.1f} s")  # noqa: T201  # the figure, with -s


def test_a_channel_that_refuses_is_told_on_the_page(delivered: Delivered) -> None:
    """What failed is on the page of alerts, in words and without the address."""
    status, page = delivered.page
    assert (status, delivered.states["shed"]) == (200, "refused")
    assert len(delivered.box.mails) == 1
    assert "shed" in page
    assert "refuse" in page
    for planted in (SECRET, str(delivered.gone_port)):
        assert planted not in page
    assert SECRET not in delivered.yard.log.read_text("utf-8")

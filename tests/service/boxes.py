"""A yard of many boxes, each with a door, and channels that lead to servers of this computer."""

import shutil
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

from sqlalchemy import Engine, select, update

from server.alerts.delivery.tables import MessageRow
from server.config import Settings, read_settings
from server.database import Session, session_of
from server.doors.register import add_door, enrol_node, list_doors
from server.doors.tables import Node
from server.inspection import results
from server.inspection.tables import InspectionRow
from tests.inspection.doors import one_joint
from tests.inspection.stored import ENROLLED

SECRET = "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # noqa: S105  # the standard's published one
PATH_TOKEN = "tok-5c1e0f-planted"  # noqa: S105  # planted, to be looked for
PASSWORD = "pw-77aa-planted"  # noqa: S105  # planted, to be looked for


def hang(engine: Engine, many: int) -> None:
    """Doors of one pair of gauges, each with a box of its own; nothing is heard of them yet."""
    with session_of(engine) as session:
        for k in range(many):
            built = replace(one_joint().built, name=f"door-{k:02}", node=f"box-{k:02}", shown=f"Door {k}")
            enrol_node(session, built.site, built.node, kind="tracked", zone="Europe/London", now=ENROLLED)
            add_door(session, built, now=ENROLLED)


def hear(engine: Engine, at: datetime) -> None:
    """Every box is heard."""
    with session_of(engine) as session:
        session.execute(update(Node).values(last_heard_ms=int(at.timestamp() * 1000)))


def looked_until(engine: Engine, day: date) -> None:
    """Every door and the yard were looked at, a fortnight and a day long, up to a night."""
    with session_of(engine) as session:
        doors = list_doors(session)
        scopes = [results.scope_of(door.id) for door in doors] + [f"site/{doors[0].site}"]
        for scope in scopes:
            for back in range(15):
                slot = (day - timedelta(days=back)).isoformat()
                row = InspectionRow(scope=scope, slot=slot, looked=ENROLLED, until_ms=0, took_s=0.0)
                row.status, row.revision = "done", 1
                session.add(row)


def told_settings(folder: Path, database_url: str, *, web_port: int, mail_port: int) -> Settings:
    """Settings with a mail and a webhook, read from a file as an operator writes it."""
    for name, text in (
        ("hook.secret", SECRET),
        ("hook.url", f"http://127.0.0.1:{web_port}/{PATH_TOKEN}"),
        ("post.password", PASSWORD),
    ):
        (folder / name).write_text(text)
        (folder / name).chmod(0o600)
    file = folder / "hangtrue.toml"
    file.write_text(f"""
state_dir = "{folder}"
zone = "Europe/London"
[pages]
base_url = "http://doors.yard.lan"
[delivery]
allow = ["127.0.0.1/32"]
[[delivery.channel]]
name = "post"
kind = "mail"
server = "127.0.0.1:{mail_port}"
security = "none"
sender = "doors@yard.example"
to = "keeper@yard.example"
[[delivery.channel]]
name = "hook"
kind = "webhook"
url_file = "{folder}/hook.url"
secret_file = "{folder}/hook.secret"
""")
    return read_settings(file, environment={}, database=database_url)


def messages_of(engine: Engine) -> list[MessageRow]:
    """Every message, oldest first, apart from the session."""
    with Session(engine, expire_on_commit=False) as session:
        return list(session.scalars(select(MessageRow).order_by(MessageRow.id)))


def copied(engine: Engine, to: Path) -> str:
    """A SQLite file as it is now, copied; give its address."""
    source = engine.url.database or ""
    engine.dispose()
    shutil.copy(source, to)
    return f"sqlite:///{to}"

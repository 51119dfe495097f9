"""A database with the two invented doors, and the application over it."""

import shutil
from collections.abc import Iterator
from contextlib import AbstractContextManager
from datetime import timedelta
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import Engine, update

import server.schema as schema
from dashboards.create_app import create_app
from server.alerts.ledger import Night, record
from server.database import Session, open_engine, session_of
from server.doors.marks import add_mark
from server.doors.register import add_door, enrol_node, find_door
from server.doors.tables import Node
from server.inspection.results import SeriesResult, Slot, save, scope_of
from server.inspection.values import Finding, Inspection, SeriesLook
from tests.dashboards import pair, yard
from tests.fakes.databases import Made

HOST = "http://127.0.0.1"


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    """An empty database of this version."""
    made = open_engine(f"sqlite:///{tmp_path / 'yard.db'}")
    schema.all_tables().create_all(made)
    yield made
    made.dispose()


@pytest.fixture
def two_doors(engine: Engine) -> Engine:
    """North and south with their last look's results."""
    with session_of(engine) as session:
        for name, made in (("north", yard.north_results()), ("south", yard.south_results())):
            built = yard.built(name)
            node = enrol_node(session, built.site, built.node, kind="tracked", zone=yard.ZONE, now=yard.NOW)
            heard_ms = int(yard.NOW.timestamp() * 1000) - 540_000
            session.execute(update(Node).where(Node.id == node.id).values(last_heard_ms=heard_ms))
            add_door(session, built, now=yard.NOW)
            door = find_door(session, f"{built.site}/{built.name}")
            slot = Slot(
                scope=scope_of(door.id), slot="2026-11-24", looked=yard.NOW, until_ms=heard_ms, took_s=0.1
            )
            save(session, Inspection(findings=(), series=looks_of(made)), slot, door_id=door.id)
    return engine


@pytest.fixture
def alerted(two_doors: Engine) -> Engine:
    """The two doors, and a joint of north that the trend's alarm says is opening."""
    evidence = {
        "alarm": True,
        "turn_stays_mrad": 0.131,
        "turn_low_mrad": 0.11,
        "turn_high_mrad": 0.15,
        "turn_open_mrad": 0.166,
    }
    finding = Finding(topic="joint", about="north/lock-hinge", evidence=evidence)
    with session_of(two_doors) as session:
        door = find_door(session, "saltmarsh-yard/north")
        night = Night(slot="2026-11-23", at=yard.NOW - timedelta(days=1))
        record(session, Inspection(findings=(finding,)), door=door, night=night)
    return two_doors


@pytest.fixture(scope="session")
def pair_files(of_run: Path, made: Made) -> tuple[Path, Path]:
    """Databases of two watched doors, without a trial and with one; made once, to be copied."""
    return pair.file_of(of_run, made), pair.declared_file(of_run, made)


@pytest.fixture
def paired(pair_files: tuple[Path, Path], tmp_path: Path) -> Iterator[Engine]:
    """Two doors that were watched for three years, nothing declared of them."""
    yield from _copied(pair_files[0], tmp_path)


@pytest.fixture
def declared(pair_files: tuple[Path, Path], tmp_path: Path) -> Iterator[Engine]:
    """The same with a trial of six years, of which three nights were looked at."""
    yield from _copied(pair_files[1], tmp_path)


def _copied(path: Path, folder: Path) -> Iterator[Engine]:
    made = open_engine(f"sqlite:///{shutil.copy(path, folder / 'pair.db')}")
    yield made
    made.dispose()


@pytest.fixture
def running(two_doors: Engine) -> Engine:
    """North with a turn and its droop running away, a step that nobody logged, and a packed hinge."""
    ahead: dict[str, object] = {
        "alarm": True,
        "forecast": {"earliest": yard.TODAY + 160, "latest": yard.TODAY + 700},
    }
    made = yard.north_results()
    made["droop"] = yard.result("droop", facts=ahead | {"found_steps": [[yard.TODAY - 300, 0.21, 0.02]]})
    made["turn:lock-hinge"] = yard.result(
        "turn:lock-hinge", rate=0.02, half=0.01, swing=0.04, start=0.03, facts=ahead
    )
    with session_of(two_doors) as session:
        found = find_door(session, "saltmarsh-yard/north")
        add_mark(
            session, found.id, t_ms=(yard.TODAY - 800) * 86_400_000, kind="hinge packed", text="", by="keeper"
        )
        slot = Slot(scope=scope_of(found.id), slot="2026-11-24", looked=yard.NOW, until_ms=0, took_s=0.1)
        save(session, Inspection(findings=(), series=looks_of(made)), slot, door_id=found.id)
    return two_doors


def looks_of(made: dict[str, SeriesResult]) -> tuple[SeriesLook, ...]:
    """Results as a look gives them."""
    return tuple(
        SeriesLook(
            key=one.key,
            unit=one.unit,
            status=one.status,
            reason=one.reason,
            rate=one.rate,
            low=one.low,
            high=one.high,
            facts=one.facts,
            parts=one.parts,
        )
        for one in made.values()
    )


def app_over(engine: Engine, health: dict[str, object] | None = None) -> Flask:
    """The application over a database."""

    def writing() -> AbstractContextManager[Session]:
        return session_of(engine)

    return create_app(
        sessions=lambda: Session(engine),
        writing=writing,
        clock=lambda: yard.NOW,
        health=lambda: health,
        hosts=["127.0.0.1", "localhost"],
        secret=b"a secret of the tests, 32 bytes.",
        zone=None,
        invented=True,
    )


@pytest.fixture
def client(two_doors: Engine) -> FlaskClient:
    """A reader of the two doors' pages."""
    return app_over(two_doors).test_client()


@pytest.fixture
def empty_client(engine: Engine) -> FlaskClient:
    """A reader of a yard without doors."""
    return app_over(engine).test_client()

"""Every set of a door's gauges in every opening: what is not told has no number on the page or in data.

Each outcome that is unlike the others is put into a database and read through the pages as they are served.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from sqlalchemy import update

import server.schema as schema
from dashboards.pages import telling
from server.database import open_engine, session_of
from server.doors.built import BuiltDoor
from server.doors.register import add_door, enrol_node
from server.doors.tables import Node
from server.inspection.look import look
from server.inspection.results import Slot, save, scope_of
from server.inspection.values import Inspection
from server.joinery.leaf import DERIVED, POSITION_KINDS
from tests.dashboards import yard
from tests.dashboards.conftest import HOST, app_over
from tests.fakes.once import kept_once
from tests.inspection.doors import HUNG, Truth, hung, made_inputs

WHOLE = made_inputs(Truth(years=45 / 365.25, droop_mm_per_year=2.0))
BUILT = hung().built
GAUGES = [one for one in BUILT.gauges if one.kind in POSITION_KINDS]
KITS = [kit for count in range(1, len(GAUGES) + 1) for kit in combinations(GAUGES, count)]
OPENINGS = ("rigid", "head_drops", "leans")
NUMBERS = (
    "now",
    "stays",
    "stays_low",
    "stays_high",
    "comes_back",
    "swing_year",
    "rate_per_year",
    "rate_low_per_year",
    "rate_high_per_year",
)
Outcome = tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A kit in an opening, and what a look said of it."""

    built: BuiltDoor
    said: Inspection

    @property
    def untold(self) -> set[str]:
        """What the inversion does not tell: by the look's own word, before any page has seen it."""
        return {one.key for one in self.said.series if one.facts.get("told") == "not_told"}


@pytest.fixture(scope="module")
def cases(of_run: Path) -> list[Case]:
    return kept_once(of_run, "untold", all_cases)


def all_cases() -> list[Case]:
    """The first of each outcome: which of the three are told, how, and why not."""
    found: dict[Outcome, Case] = {}
    for opening in OPENINGS:
        for kit in KITS:
            built = replace(BUILT, gauges=kit, opening=replace(BUILT.opening, kind=opening))
            names = {gauge.channel for gauge in kit}
            gauges = {name: one for name, one in WHOLE.gauges.items() if name in names}
            said = look(replace(WHOLE, door=hung(built=built), gauges=gauges))
            outcome = tuple(
                (one.key, str(one.facts.get("told")), (one.reason or "").partition(" (sd")[0])
                for one in said.series
                if one.key in DERIVED
            )
            found.setdefault(outcome, Case(built=built, said=said))
    return list(found.values())


@pytest.fixture(scope="module")
def shown(
    cases: list[Case], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[list[tuple[Case, FlaskClient]]]:
    """Each outcome in a database of its own, read as its keeper would."""
    folder = tmp_path_factory.mktemp("untold")
    engines = [open_engine(f"sqlite:///{folder / f'{number}.db'}") for number, _ in enumerate(cases)]
    made = []
    for engine, case in zip(engines, cases, strict=True):
        schema.all_tables().create_all(engine)
        with session_of(engine) as session:
            node = enrol_node(session, BUILT.site, BUILT.node, kind="tracked", zone=yard.ZONE, now=HUNG)
            heard_ms = int(yard.NOW.timestamp() * 1000) - 540_000
            session.execute(update(Node).where(Node.id == node.id).values(last_heard_ms=heard_ms))
            door = add_door(session, case.built, now=yard.NOW)
            slot = Slot(scope=scope_of(door.id), slot="2021-04-16", looked=HUNG, until_ms=0, took_s=0.1)
            save(session, case.said, slot, door_id=door.id)
        made.append((case, app_over(engine).test_client()))
    yield made
    for engine in engines:
        engine.dispose()


def head_of(page: str) -> str:
    """What is said of the door, without its mark-up; from its name to the alerts."""
    part = page[page.index('<div class="head">') : page.index('<div class="two">')]
    return re.sub(r"<[^>]+>", " ", part)


def test_outcomes_of_every_kind_are_among_them(cases: list[Case]) -> None:
    assert {len(one.untold) for one in cases} == {0, 1, 2, 3}
    assert len(cases) >= 10
    reasons = " ".join(one.reason or "" for case in cases for one in case.said.series)
    assert "a frame that leans" in reasons
    assert "a head that drops" in reasons


def test_what_is_not_told_is_null_with_its_reason(shown: list[tuple[Case, FlaskClient]]) -> None:
    for case, client in shown:
        told = client.get("/api/v1/doors/saltmarsh-yard/north", base_url=HOST).get_json()
        series = {one["key"]: one for one in told["series"]}
        assert set(DERIVED) <= set(series)
        for name in DERIVED:
            numbers = [series[name][key] for key in NUMBERS]
            if name in case.untold:
                assert numbers == [None] * len(NUMBERS), name
                assert series[name]["why_refused"] == "kit", name
                assert len(series[name]["reason"]) > 20, name
            else:
                assert series[name]["now"] is not None, name


def test_the_page_has_no_number_of_a_droop_that_is_not_told(shown: list[tuple[Case, FlaskClient]]) -> None:
    for case, client in shown:
        page = client.get("/doors/saltmarsh-yard/north", base_url=HOST).get_data(as_text=True)
        said, has_number = head_of(page), r"\d+\.\d+\s*(mm|\u00a0mm|&nbsp;mm)"
        trend = client.get("/figures/saltmarsh-yard/north/trend.json", base_url=HOST).status_code
        listed = client.get("/", base_url=HOST).get_data(as_text=True)
        if "droop" in case.untold:
            assert telling.UNTOLD in said
            assert not re.search(has_number, said)
            assert (trend, "data-figure=" in page) == (404, False)
            assert telling.UNTOLD_DRAWN in page
            assert re.search(r'data-stays="0(\.0)?" data-season="0(\.0)?"', page)
            assert telling.UNTOLD.rstrip(".") in listed
            (droop,) = [one for one in case.said.series if one.key == "droop"]
            assert (droop.reason or "?").partition(" (sd")[0][:40] in said
        else:
            assert re.search(has_number, said)
            assert trend == 200
        assert not re.search(r"\bnan\b|\bNone\b(?! we can tell)", re.sub(r"<[^>]+>", " ", page))

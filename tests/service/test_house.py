"""The house as it is read: rows of both databases, real files, real certificates, a real back-up."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, insert
from sqlalchemy.orm import Session

from server.alerts import ledger
from server.alerts.ledger import Night, record_house
from server.auth.certificates import make_authority, make_certificate
from server.backup.making import back_up
from server.config import Settings
from server.doors.marks import add_mark
from server.doors.register import DoorHung, list_doors
from server.inspection.values import Finding, Inspection
from server.intake.secrets import tell_secret
from server.readings import quarantine
from server.readings.quarantine import Refused
from server.readings.tables import ClockFix, Instant, Journal, RollupDay
from server.service.house import HouseFacts, facts_of, house_findings
from tests.inspection.doors import Truth, hung
from tests.inspection.found.seeing import verdicts
from tests.inspection.stored import stored_door

# Cases of one query each: that it reads the same on the other database, the tests without cases show.
SQLITE = pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
DAY_MS, HOUR_MS = 86_400_000, 3_600_000
NOW = datetime(2026, 3, 1, 5, tzinfo=UTC)
NOW_MS = round(NOW.timestamp() * 1000)
TODAY = NOW_MS // DAY_MS


@pytest.fixture
def door(session: Session) -> DoorHung:
    return stored_door(session, Truth(years=0.0), hung())


def look(session: Session, state_dir: Path, **given: object) -> dict[str, Finding]:
    facts = replace(HouseFacts(site="saltmarsh-yard", state_dir=state_dir), **given)  # type: ignore[arg-type]  # each by its own name
    return {f"{one.topic} {one.about}": one for one in house_findings(session, facts, at_ms=NOW_MS)}


def said(session: Session, state_dir: Path, name: str, **given: object) -> dict[str, str]:
    return verdicts(look(session, state_dir, **given)[name])


def test_a_quiet_house(session: Session, door: DoorHung, tmp_path: Path) -> None:
    found = look(session, tmp_path)
    assert set(found) == {
        *(f"{topic} north" for topic in ("battery", "clock", "twin", "access", "held")),
        *(f"{topic} {door.site}" for topic in ("certificate", "disk", "backup", "intake")),
    }
    said = {step: verdict for one in found.values() for step, verdict in verdicts(one).items()}
    del said["disk_low"], said["disk_full"]  # of the computer that tests
    assert {step for step, verdict in said.items() if verdict == "gone"} == {
        "clock_undated",
        "clock_suspect",
        "node_twin",
        "password_old",
        "packs_held",
        "packs_expiring",
    }
    assert set(said.values()) == {"gone", "unjudged"}


def test_a_night_caught_up_knows_of_the_boxes_alone(session: Session, door: DoorHung, tmp_path: Path) -> None:
    found = look(session, tmp_path, is_now=False)
    assert {one.about for one in found.values()} == {door.built.node}


def test_another_site_has_none_of_these_boxes(session: Session, door: DoorHung, tmp_path: Path) -> None:
    assert door.site != "elsewhere"
    facts = HouseFacts(site="elsewhere", state_dir=tmp_path, is_now=False)
    assert house_findings(session, facts, at_ms=NOW_MS) == ()


def volts(session: Session, door: DoorHung, *means: float) -> None:
    """Daily means of the battery, the last of them of yesterday."""
    for ago, mean in enumerate(reversed(means), 1):
        day = TODAY - ago
        ends = {"first_ms": day * DAY_MS, "last_ms": day * DAY_MS, "low": mean, "high": mean}
        row = {
            "channel_id": door.channels["battery"].id,
            "day": day,
            "n": 24,
            "mean": mean,
            "m2": 0.0,
            **ends,
        }
        session.execute(insert(RollupDay), [row])


def test_the_battery_of_the_last_three_days(session: Session, door: DoorHung, tmp_path: Path) -> None:
    volts(session, door, 3.0, 2.5, 3.0, 2.5)
    assert said(session, tmp_path, "battery north") == {"battery_low": "holds"}
    assert look(session, tmp_path)["battery north"].evidence["battery_v"] == 2.5


def journal(session: Session, door: DoorHung, *, closed: datetime | None = None) -> int:
    made = Journal(node_id=door.node_id, code=f"j{closed is None}", first_seen=NOW, closed=closed)
    session.add(made)
    session.flush()
    return made.id


@SQLITE
@pytest.mark.parametrize(
    ("hours_ago", "clock", "closed", "undated"),
    [(1, 2, None, 3), (25, 2, None, 0), (1, 1, None, 0), (1, 2, NOW, 0)],
)
def test_instants_without_a_date(
    session: Session,
    door: DoorHung,
    tmp_path: Path,
    hours_ago: int,
    clock: int,
    closed: datetime | None,
    undated: int,
) -> None:
    at = journal(session, door, closed=closed)
    rows = [
        {
            "journal_id": at,
            "seq": seq,
            "t_ms": NOW_MS - hours_ago * HOUR_MS - seq,
            "clock": clock if seq > 5 else 0,
        }
        for seq in range(1, 9)
    ]
    session.execute(insert(Instant), rows)
    assert look(session, tmp_path)["clock north"].evidence["undated"] == undated


@SQLITE
@pytest.mark.parametrize(
    ("days_ago", "off_days", "suspect", "verdict"),
    [
        (1, 0, 1, "holds"),
        (3, 0, 1, "gone"),
        (1, 0, 0, "gone"),
        (400, 399, 1, "holds"),
        (-400, -401, 1, "holds"),
    ],
)
def test_a_clock_that_was_set_by_more_than_drift(
    session: Session, door: DoorHung, tmp_path: Path, days_ago: int, off_days: int, suspect: int, verdict: str
) -> None:
    t1 = NOW_MS - days_ago * DAY_MS
    fix = ClockFix(
        journal_id=journal(session, door),
        t0_ms=t1 - DAY_MS,
        t1_ms=t1,
        off_ms=off_days * DAY_MS,
        suspect=suspect,
    )
    session.add(fix)
    session.flush()
    assert said(session, tmp_path, "clock north")["clock_suspect"] == verdict


@SQLITE
@pytest.mark.parametrize(
    ("kind", "days_ago", "verdict"), [("twin", 1, "holds"), ("twin", 3, "gone"), ("note", 1, "gone")]
)
def test_twins(
    session: Session, door: DoorHung, tmp_path: Path, kind: str, days_ago: int, verdict: str
) -> None:
    add_mark(session, door.id, t_ms=NOW_MS - days_ago * DAY_MS, kind=kind, text="", by="hangtrue")
    assert said(session, tmp_path, "twin north") == {"node_twin": verdict}


@SQLITE
@pytest.mark.parametrize(("days", "verdict"), [(6.9, "gone"), (7.0, "holds")])
def test_a_password_that_was_not_taken_up(
    session: Session, door: DoorHung, tmp_path: Path, days: float, verdict: str
) -> None:
    began = NOW - timedelta(days=days)
    tell_secret(session, (door.site, "north"), generation=2, key="W3NH5R1EJD6GPY0S", is_leak=False, now=began)
    assert said(session, tmp_path, "access north")["password_old"] == verdict


@SQLITE
@pytest.mark.parametrize(
    ("paused", "verdict"), [(None, "unjudged"), (frozenset(), "gone"), (frozenset({"north"}), "holds")]
)
@pytest.mark.usefixtures("door")
def test_a_box_that_is_paused(
    session: Session, tmp_path: Path, paused: frozenset[str] | None, verdict: str
) -> None:
    assert said(session, tmp_path, "access north", paused=paused)["node_flooding"] == verdict


def refused(door: DoorHung, text: str, code: str, days_ago: int, *, known: bool = True) -> Refused:
    return Refused(
        node_id=door.node_id if known else None,
        topic="hangtrue/v1/saltmarsh-yard/north/readings",
        payload=text.encode(),
        code=code,
        record=None,
        arrival_ms=NOW_MS - days_ago * DAY_MS,
        properties=None,
    )


def test_packs_held_by_box(session: Session, door: DoorHung, tmp_path: Path) -> None:
    packs = [
        refused(door, "a", "unknown-channel", 2),
        refused(door, "b", "unknown-channel", 1),
        refused(door, "b", "unknown-channel", 1),
        refused(door, "c", "bad-time", 61),
        refused(door, "d", "unknown-node", 70, known=False),
    ]
    for pack in packs:
        at = datetime.fromtimestamp(pack.arrival_ms / 1000, UTC)
        quarantine.hold(session.connection(), [pack], now=at)
    found = look(session, tmp_path)["held north"]
    assert found.evidence == {"packs": 3, "oldest_days": 61.0, "why": "unknown channel"}
    assert verdicts(found) == {"packs_held": "holds", "packs_expiring": "holds"}
    (oldest,) = (one.id for one in quarantine.held(session.connection(), now=NOW) if one.code == "bad-time")
    quarantine.release(session.connection(), oldest, now=NOW)
    assert look(session, tmp_path)["held north"].evidence["packs"] == 2


def test_certificates_of_files(session: Session, door: DoorHung, tmp_path: Path) -> None:
    made = make_authority(["collector.lan"], now=NOW)
    server = make_certificate(made, ["collector.lan"], now=NOW - timedelta(days=340))
    files = {
        "authority": tmp_path / "ca.pem",
        "server": tmp_path / "server.pem",
        "other": tmp_path / "no.pem",
    }
    files["authority"].write_text(made.cert)
    files["server"].write_text(server.cert)
    found = look(session, tmp_path, certificates=files)
    days = {use: found[f"certificate {door.site}/{use}"].evidence.get("days_left") for use in files}
    assert days["authority"] == pytest.approx(7305, abs=0.1)
    assert days["server"] == pytest.approx(57, abs=0.1)
    assert days["other"] is None
    files["other"].write_text("no certificate")
    assert look(session, tmp_path, certificates=files)[f"certificate {door.site}/other"].unjudged is not None


def test_what_the_settings_tell(tmp_path: Path) -> None:
    plain = Settings(state_dir=tmp_path, database="sqlite://")
    assert facts_of(plain, "yard") == HouseFacts(site="yard", state_dir=tmp_path)
    cert = tmp_path / "server.pem"
    whole = replace(plain, intake_cert=cert, backup_folder=tmp_path / "kept")
    assert facts_of(whole, "yard") == HouseFacts(
        site="yard",
        state_dir=tmp_path,
        certificates={"authority": tmp_path / "ca" / "ca.pem", "server": cert},
        backup_folder=tmp_path / "kept",
    )


def test_disk_and_intake(session: Session, door: DoorHung, tmp_path: Path) -> None:
    found = look(session, tmp_path, is_failing=True, failing_since_ms=NOW_MS - 600_000)
    free = found[f"disk {door.site}"].evidence["free_mib"]
    assert isinstance(free, float)
    assert free > 0
    assert verdicts(found[f"intake {door.site}"]) == {"intake_failing": "holds"}
    gone = look(session, tmp_path / "gone")
    assert gone[f"disk {door.site}"].unjudged is not None


def spoil_nothing(_copy: Path) -> None:
    return


def spoil_bytes(copy: Path) -> None:
    (copy / "hangtrue.db").write_bytes(b"x")


def spoil_manifest(copy: Path) -> None:
    (copy / "manifest.json").unlink()


@pytest.mark.parametrize(
    ("spoil", "reads_back", "late", "bad"),
    [
        (spoil_nothing, True, "gone", "gone"),
        (spoil_nothing, False, "gone", "unjudged"),
        (spoil_bytes, True, "gone", "holds"),
        (spoil_bytes, False, "gone", "unjudged"),
        (spoil_manifest, False, "holds", "holds"),
    ],
)
@SQLITE
def test_back_ups_of_a_folder(
    engine: Engine, tmp_path: Path, spoil: Callable[[Path], None], reads_back: bool, late: str, bad: str
) -> None:
    with Session(engine) as session, session.begin():
        door = stored_door(session, Truth(years=0.0), hung())
    folder = tmp_path / "kept"
    back_up(engine, folder, now=NOW - timedelta(days=4))
    newest, _ = back_up(engine, folder, now=NOW - timedelta(days=1))
    spoil(newest)
    with Session(engine) as session:
        found = look(session, tmp_path, backup_folder=folder, reads_back=reads_back)
    assert verdicts(found[f"backup {door.site}"]) == {"backup_late": late, "backup_bad": bad}


def test_a_house_goes_into_the_ledger(session: Session, door: DoorHung, tmp_path: Path) -> None:
    tell_secret(
        session,
        (door.site, "north"),
        generation=2,
        key="W3NH5R1EJD6GPY0S",
        is_leak=False,
        now=NOW - timedelta(days=8),
    )
    facts = HouseFacts(site=door.site, state_dir=tmp_path, is_failing=True, failing_since_ms=0)
    found = Inspection(findings=house_findings(session, facts, at_ms=NOW_MS))
    night = Night(slot="2026-03-01", at=NOW)
    record_house(session, found, site=door.site, doors=list_doors(session), night=night)
    steps = {(view.step, view.about) for view in ledger.standing(session)}
    assert steps >= {("password_old", "north"), ("intake_failing", door.site)}
    assert steps <= {
        ("password_old", "north"),
        ("intake_failing", door.site),
        ("disk_low", door.site),
        ("disk_full", door.site),
    }

"""A yard whose doors a case names: its nights go through the ledger on a database."""

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time

from sqlalchemy import select
from sqlalchemy.orm import Session

from server.alerts import ledger, rebuilding
from server.alerts.ledger import Close, Leave, Night, Retire, Seen
from server.alerts.refusals import LeaveTooLongError
from server.alerts.tables import AlertEventRow, AlertRow
from server.doors.marks import add_mark
from server.doors.register import DoorHung, add_door, enrol_node
from server.errors import WordsNeededError
from server.inspection import results
from server.inspection.results import Slot
from server.inspection.values import Finding, Inspection
from tests.alerts.cases import HOUSE, Case, NightOf, nights_of
from tests.inspection.doors import HUNG, Truth, one_joint
from tests.inspection.stored import stored_door

# Marks of the cases, by the kinds that a door's log has.
MARKS = {"rehung": "rehung", "eased": "planed", "joint repaired": "repaired", "gauge changed": "gauge-moved"}
DAY_MS = 86_400_000


@dataclass
class Yard:
    """Plays looks through the ledger and keeps what was refused."""

    session: Session
    door: DoorHung
    boxes: int
    hung: dict[str, DoorHung] = field(default_factory=dict)
    refusals: list[list[str]] = field(default_factory=list)

    @classmethod
    def of(cls, session: Session, boxes: int = 0) -> "Yard":
        door = stored_door(session, Truth(years=0.0), one_joint())
        return cls(session=session, door=door, boxes=boxes, hung={door.name: door})

    def named(self, name: str, channels: set[str]) -> DoorHung:
        """A door of that name with those gauges on it, hung when it is first asked for."""
        if name not in self.hung:
            built = replace(self.door.built, node=name, name=name)
            enrol_node(self.session, built.site, name, kind="tracked", zone="Europe/London", now=HUNG)
            self.hung[name] = add_door(self.session, built, now=HUNG)
        door, shape = self.hung[name], self.door.built.gauges[0]
        gauges = tuple(replace(shape, channel=channel) for channel in sorted(channels))
        return replace(door, built=replace(door.built, gauges=gauges))

    def look(self, one: NightOf) -> None:
        at = datetime.combine(date.fromisoformat(one.night), time(5), UTC)
        for act in one.acts:
            self.act(act, one.night, at)
        for slot, findings in one.late:
            self.keep(slot, findings, at)
        if one.late:
            first = min(slot for slot, _ in one.late)
            for door in self.doors(one.findings):
                rebuilding.fold_again(self.session, door, first=first, end=one.night)
        self.keep(one.night, one.findings, at)
        self.record(one.night, one.findings, at)

    def doors(self, findings: tuple[Finding, ...]) -> list[DoorHung]:
        names = {"north"} | {door_of(one) for one in findings if one.topic not in HOUSE}
        channels = {one.about.partition("/")[2] for one in findings if one.topic == "gauge"}
        known = self.session.scalars(select(AlertRow).where(AlertRow.ended.is_(None))).all()
        names |= {row.about.partition("@")[0].partition("/")[0] for row in known if row.topic not in HOUSE}
        channels |= {row.about.partition("/")[2] for row in known if row.topic == "gauge"}
        return [self.named(name, channels) for name in sorted(names - {"yard"})]

    def keep(self, slot: str, findings: tuple[Finding, ...], at: datetime) -> None:
        """As the nightly run keeps a look."""
        doors = [one for one in findings if one.topic not in HOUSE]
        kept = Slot(scope=results.scope_of(self.door.id), slot=slot, looked=at, until_ms=0, took_s=0.0)
        results.save(self.session, Inspection(findings=tuple(doors)), kept)

    def record(self, slot: str, findings: tuple[Finding, ...], at: datetime) -> None:
        night = Night(slot=slot, at=at)
        house = tuple(one for one in findings if one.topic in HOUSE)
        built = self.door.built
        hung = [replace(self.door, built=replace(built, node=f"box-{k}")) for k in range(self.boxes)]
        silent = Inspection(findings=house)
        ledger.record_house(self.session, silent, site=self.door.site, doors=hung, night=night)
        for door in self.doors(findings):
            mine = tuple(one for one in findings if one.topic not in HOUSE and door_of(one) == door.name)
            ledger.record(self.session, Inspection(findings=mine), door=door, night=night)

    def act(self, act: Case, night: str, at: datetime) -> None:
        if act["act"] == "mark":
            self.mark(act, at)
            return
        topic, _, about = act["cause"].partition(":")
        row = self.session.scalar(
            select(AlertRow).where(AlertRow.topic == topic, AlertRow.about == about, AlertRow.ended.is_(None))
        )
        if row is None:
            self.refusals.append([night, "no alert stands"])
            return
        try:
            ledger.act(self.session, row.id, made(act), by="maker", at=at)
        except LeaveTooLongError as refusal:
            passed = "passed" in str(refusal)
            self.refusals.append([night, "the day has passed" if passed else "too long"])
        except WordsNeededError:
            self.refusals.append([night, "say how it ended"])

    def mark(self, act: Case, at: datetime) -> None:
        kind, about = MARKS.get(act["mark"], "finish"), act["about"]
        door = self.named(about.partition("/")[0], set())
        # made on the day before: a look hears days that have ended
        text = about.partition("/")[2] or act.get("words", "")
        day_before = int(at.timestamp() * 1000) - DAY_MS
        add_mark(self.session, door.id, t_ms=day_before, kind=kind, text=text, by="maker")

    def events(self) -> list[list[str]]:
        rows = self.session.execute(
            select(AlertEventRow, AlertRow).join(AlertRow, AlertRow.id == AlertEventRow.alert_id)
        )
        return sorted(
            [e.slot, e.kind, e.step, f"{a.topic}:{a.about}", *([e.detail] if e.detail else [])]
            for e, a in rows
        )

    def standing(self) -> list[str]:
        rows = self.session.scalars(select(AlertRow).where(AlertRow.ended.is_(None)))
        return sorted(f"{row.step} {row.topic}:{row.about}" for row in rows)


def made(act: Case) -> Seen | Leave | Close | Retire:
    """What a person does, as the ledger takes it."""
    if act["act"] == "leave":
        return Leave(until=date.fromisoformat(act["until"]))
    if act["act"] == "close":
        return Close(words=act["words"])
    return Seen() if act["act"] == "seen" else Retire()


def door_of(one: Finding) -> str:
    """The door that a finding's name begins with."""
    return one.about.partition("@")[0].partition("/")[0]


def played(session: Session, case: Case) -> Yard:
    """A case, played to its end."""
    yard = Yard.of(session, boxes=case.get("nodes", 0))
    for one in nights_of(case):
        yard.look(one)
    return yard

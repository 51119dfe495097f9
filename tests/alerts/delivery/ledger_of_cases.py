"""A ledger in memory for the published cases: events in, what stands and what is owed out."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any

from server.alerts.covering import cover
from server.alerts.delivery.composing import concerns, plan
from server.alerts.delivery.facts import AlertFacts, Line, Night, Owed, Plan, Post, Recent
from server.alerts.verdicts import Limits
from tests.alerts.book import Book
from tests.alerts.cases import Case, nights_of
from tests.alerts.delivery.cases import rules

NO_DOOR = {"disk", "intake", "backup", "channel", "certificate", "site"}
MAKER = {"name": "maker", "doors": "all", "least": "note", "house": True}


@dataclass
class Yard:
    """Alerts by number, and every event in order."""

    alerts: dict[int, AlertFacts] = field(default_factory=dict)
    causes: dict[str, int] = field(default_factory=dict)
    events: list[Owed] = field(default_factory=list)
    doors: dict[str, int] = field(default_factory=dict)

    def door(self, name: str) -> int:
        return self.doors.setdefault(name, len(self.doors) + 1)

    def happens(self, event: list[str]) -> None:
        night, kind, step, cause = event[:4]
        detail = event[4] if len(event) > 4 else ""
        if kind == "raised":
            self._raise(step, cause)
        alert = self.alerts[self.causes[cause]]
        self.alerts[alert.id] = self._after(alert, night, kind, step, detail)
        if kind in ("raised", "rose", "eased", "back", "carries", "ended"):
            made = Owed(event_id=len(self.events) + 1, alert_id=alert.id, slot=night, kind=kind, step=step)
            self.events.append(replace(made, detail=detail))

    def _raise(self, step: str, cause: str) -> None:
        topic, _, about = cause.partition(":")
        number = self.causes[cause] = len(self.alerts) + 1
        name = about.partition("/")[0].partition("@")[0]
        rank, weight = rules()[step]
        self.alerts[number] = AlertFacts(
            id=number,
            topic=topic,
            about=about,
            step=step,
            rank=rank,
            weight=weight,
            door_id=None if topic in NO_DOOR else self.door(name),
        )

    def _after(self, alert: AlertFacts, night: str, kind: str, step: str, detail: str) -> AlertFacts:
        rank, weight = rules()[step]
        changed: dict[str, Any] = {"step": step, "rank": rank, "weight": weight}
        if kind == "ended":
            changed |= {"ended": night, "how": detail}
        elif kind == "back":
            changed |= {"ended": None, "how": None, "backs": (*alert.backs, night)}
        elif kind == "rose":
            changed |= {"seen": None, "left_until": None}
        elif kind == "carries":
            changed |= {"carries": detail, "weight": rules()[detail.partition(" ")[0]][1]}
        changed |= {"seen": {"seen": night}, "left": {"left_until": detail}}.get(kind, {})
        changed |= {"frozen": {"is_frozen": True}, "thawed": {"is_frozen": False}}.get(kind, {})
        return replace(alert, **changed)

    def as_of_tonight(self) -> dict[int, AlertFacts]:
        covered = cover([one for one in self.alerts.values() if one.ended is None])
        return {number: replace(one, covered=number in covered) for number, one in self.alerts.items()}


@dataclass
class Reader:
    """One person with one channel, and what came to it."""

    name: str
    post: Post
    recent: list[Recent] = field(default_factory=list)
    fates: dict[int, str | None] = field(default_factory=dict)
    got: list[dict[str, object]] = field(default_factory=list)

    def takes(self, made: Plan, night: Night, yard: Yard) -> None:
        self.fates |= made.fates
        if made.draft is None:
            return
        draft = made.draft
        self.recent.append(
            Recent(
                slot=night.slot,
                kind=draft.kind,
                state="sent",
                lines=draft.lines,
                standing=draft.standing or (),
            )
        )
        told: dict[str, object] = {"night": night.slot, "to": self.name, "kind": draft.kind}
        told["says"] = [said(line, yard.alerts[line.alert_id]) for line in draft.lines]
        if draft.standing is not None:
            told["standing"] = [f"{yard.alerts[n].step} {cause(yard.alerts[n])}" for n in draft.standing]
        if draft.flood:
            told["flood"] = draft.flood
        self.got.append(told)


def cause(alert: AlertFacts) -> str:
    return f"{alert.topic}:{alert.about}"


def said(line: Line, alert: AlertFacts) -> str:
    if line.kind == "carries":
        return f"carries {line.detail.partition(' ')[0]} by {line.step} {cause(alert)}"
    return f"{line.kind} {line.step} {cause(alert)}{' ' + line.detail if line.detail else ''}"


def played(case: Case) -> list[dict[str, object]]:
    """What the people of a case get, in order of nights: from findings by the rules, then composed."""
    looks, yard = list(nights_of(case)), Yard()
    heard = {one.about for look in looks for one in look.findings if one.topic == "heard"}
    book = Book(boxes=case.get("nodes", len(heard)), limits=Limits())
    everybody: list[dict[str, Any]] = case.get("people") or [MAKER]
    readers = [_reader(number, one, yard) for number, one in enumerate(everybody, 1)]
    away, done, told = nights_away(case), set[str](), 0
    for look in looks:
        book.look(look)
        for event in book.events[told:]:
            yard.happens(event)
        told = len(book.events)
        if look.night in away:
            continue
        night, alerts = Night(slot=look.night, is_fresh=look.night not in done), yard.as_of_tonight()
        done.add(look.night)
        for reader in readers:
            owed = owed_of(reader, yard, alerts)
            made = plan(reader.post, owed, alerts=alerts, recent=reader.recent, night=night)
            reader.takes(made, night, yard)
    order = [str(one["name"]) for one in everybody]
    got = [message for reader in readers for message in reader.got]
    return sorted(got, key=lambda one: (str(one["night"]), order.index(str(one["to"]))))


def nights_away(case: Case) -> set[str]:
    """The nights on which the service was off: looked at later, composed with the night that follows."""
    return {
        (date.fromisoformat(run["from"]) + timedelta(days=k)).isoformat()
        for run in case["nights"]
        if run.get("off")
        for k in range(run["count"])
    }


def owed_of(reader: Reader, yard: Yard, alerts: Mapping[int, AlertFacts]) -> list[Owed]:
    return [
        replace(event, waits=reader.fates.get(event.event_id))
        for event in yard.events
        if concerns(reader.post, alerts[event.alert_id])
        and reader.fates.get(event.event_id, "new") in ("new", "covered", "monday", "room")
    ]


def _reader(number: int, person: dict[str, Any], yard: Yard) -> Reader:
    doors = None if person["doors"] == "all" else frozenset(yard.door(name) for name in person["doors"])
    post = Post(
        id=number,
        channel="mail",
        doors=doors,
        least=person["least"],
        house=person.get("house", False),
    )
    if person["name"] in ("soon", "today"):
        post = replace(post, channel="other")
    return Reader(name=str(person["name"]), post=post)

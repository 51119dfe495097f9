"""The ledger's part of a case, in memory: conditions night by night, newest alerts, events, refusals."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import date

from server.alerts import rules
from server.alerts.nights import Around, Carried, Key
from server.alerts.rules import AlertNow, Change, Condition, Limits, Mark
from server.inspection.values import Finding
from tests.alerts.cases import HOUSE, Case, NightOf, nights_of

SITE = "yard"


@dataclass
class Night:
    """A night as it was folded: what was known before, what was found, what came of it."""

    before: dict[Key, Condition]
    findings: tuple[Finding, ...]
    anew: frozenset[Key]
    after: dict[Key, Condition] = field(default_factory=dict)


@dataclass
class Book:
    """Plays a case by the pure rules alone."""

    boxes: int
    limits: Limits
    nights: dict[str, Night] = field(default_factory=dict)
    conditions: dict[Key, Condition] = field(default_factory=dict)
    alerts: dict[Key, AlertNow] = field(default_factory=dict)
    raised: dict[Key, str] = field(default_factory=dict)
    carried: set[tuple[Key, str]] = field(default_factory=set)
    events: list[list[str]] = field(default_factory=list)
    refusals: list[list[str]] = field(default_factory=list)

    def look(self, one: NightOf) -> None:
        marks = [self.mark(act, one.night) for act in one.acts if act["act"] == "mark"]
        for act in one.acts:
            if act["act"] != "mark":
                self.act(act, one.night)
        if one.late:
            self.again_from(dict(one.late))
        self.fold(one.night, one.findings, marks)

    def again_from(self, late: dict[str, tuple[Finding, ...]]) -> None:
        first = min(late)
        self.conditions = dict(self.nights[first].before)
        for slot in sorted(slot for slot in self.nights if slot >= first):
            night = self.nights[slot]
            findings = late.get(slot, night.findings)
            after = self.folded(slot, findings, night.anew)
            self.nights[slot] = Night(dict(self.conditions), findings, night.anew, after)
            self.conditions |= after

    def fold(self, slot: str, findings: tuple[Finding, ...], marks: list[Mark]) -> None:
        if slot in self.nights:
            self.conditions = self.nights[slot].before | {
                key: replace(Condition(), closed=one.closed)
                for key, one in self.conditions.items()
                if key not in self.nights[slot].before and one.closed
            }
        known = set(self.conditions) | {(one.topic, one.about) for one in findings}
        anew = frozenset(key for key in known if any(rules.counts_anew(mark, *key) for mark in marks))
        after = self.folded(slot, findings, anew)
        self.nights[slot] = Night(dict(self.conditions), findings, anew, after)
        self.conditions |= after
        hidden = list(rules.carried(after, findings, rules.doubted_of(self.conditions)))
        for key, now in after.items():
            self.change(key, self.told(key, now, hidden), slot)
        for one in hidden:
            self.carry(one, slot)

    def folded(self, slot: str, findings: Iterable[Finding], anew: frozenset[Key]) -> dict[Key, Condition]:
        house = [one for one in findings if one.topic in HOUSE]
        known = {key: one for key, one in self.conditions.items() if key[0] in HOUSE and key[0] != "site"}
        around = Around(anew=anew, limits=self.limits)
        after = rules.fold_night(known, house, night=slot, around=around)
        if any(one.topic == "heard" for one in house):
            site = rules.site_finding(SITE, known | after, boxes=self.boxes)
            was = {key: one for key, one in self.conditions.items() if key[0] == "site"}
            after |= rules.fold_night(was, [site], night=slot, around=around)
        rest = {key: one for key, one in self.conditions.items() if key[0] not in HOUSE}
        around = replace(around, silent=rules.silent_of(known | after))
        doors = [one for one in findings if one.topic not in HOUSE]
        return after | rules.fold_night(rest, doors, night=slot, around=around)

    def told(self, key: Key, now: Condition, hidden: list[Carried]) -> Condition:
        since = [
            count.since
            for one in hidden
            if key == ("gauge", one.channel)
            for count in (self.conditions[one.topic, one.about].hidden or {}).values()
            if count.since is not None
        ]
        return rules.worsened(now, since)

    def change(self, key: Key, now: Condition, slot: str) -> None:
        raised = self.raised.get(key, slot)
        stood = any(
            night.after[key].standing is not None
            for at, night in self.nights.items()
            if raised <= at < slot and key in night.after
        )
        made = rules.changes(
            self.alerts.get(key), now, night=slot, stood=stood, marked=key in self.nights[slot].anew
        )
        for change in made:
            self.note(key, change, slot)
            if change.kind in ("raised", "back"):
                self.raised[key] = change.detail.removeprefix("since ") or slot
            if now.done == "told":
                self.alerts[key] = AlertNow(step=change.step, ended=slot, how="told")

    def carry(self, one: Carried, slot: str) -> None:
        key = ("gauge", one.channel)
        alert = self.alerts.get(key)
        if alert is None or alert.ended or (key, one.detail) in self.carried:
            return
        self.carried.add((key, one.detail))
        self.note(key, Change(kind="carries", step=alert.step, detail=one.detail), slot)

    def note(self, key: Key, change: Change, slot: str) -> None:
        event = [slot, change.kind, change.step, ":".join(key)]
        self.events.append([*event, change.detail] if change.detail else event)
        before = self.alerts.get(key)
        frozen = change.kind == "frozen" or (change.kind != "thawed" and before is not None and before.frozen)
        ended = slot if change.kind == "ended" else None
        self.alerts[key] = AlertNow(
            step=change.step, frozen=frozen and not ended, ended=ended, how=change.detail or None
        )

    def mark(self, act: Case, slot: str) -> Mark:
        return Mark(kind=act["mark"], about=act["about"], night=slot, words=act.get("words"))

    def act(self, act: Case, slot: str) -> None:
        topic, _, about = act["cause"].partition(":")
        key = (topic, about)
        alert = self.alerts.get(key)
        if alert is None or alert.ended:
            self.refusals.append([slot, "no alert stands"])
            return
        refusal = self.refusal(act, alert, slot)
        if refusal:
            self.refusals.append([slot, refusal])
            return
        kinds = {"seen": ("seen", ""), "leave": ("left", act.get("until", "")), "close": ("ended", "person")}
        kind, detail = (kinds | {"retire": ("ended", "retired")})[act["act"]]
        event = [slot, kind, alert.step, act["cause"], *([detail] if detail else [])]
        self.events += [] if event in self.events else [event]
        if kind == "ended":
            self.alerts[key] = AlertNow(step=alert.step, ended=slot, how=detail)
        if detail == "person":
            self.conditions[key] = rules.closed_by_person(self.conditions[key], step=alert.step, night=slot)
        if detail == "retired":
            del self.conditions[key]

    def refusal(self, act: Case, alert: AlertNow, slot: str) -> str | None:
        if act["act"] == "close" and not rules.are_words(act["words"]):
            return "say how it ended"
        if act["act"] != "leave":
            return None
        nights = (date.fromisoformat(act["until"]) - date.fromisoformat(slot)).days
        if nights <= 0:
            return "the day has passed"
        return "too long" if nights > rules.most_left(rules.STEPS[alert.step].weight) else None


def played(case: Case, limits: Limits | None = None) -> Book:
    """A case, played to its end."""
    looks = list(nights_of(case))
    heard = {one.about for look in looks for one in look.findings if one.topic == "heard"}
    book = Book(boxes=case.get("nodes", len(heard)), limits=limits or Limits())
    for look in looks:
        book.look(look)
    return book


def standing(book: Book) -> list[str]:
    """What stands at the end, as the cases say it."""
    return sorted(f"{alert.step} {':'.join(key)}" for key, alert in book.alerts.items() if not alert.ended)

"""The text of a message: plain, short, no picture, no secret. Pure."""

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from server.alerts.delivery.facts import Draft, Line

CAUTION = "Not a safety device: look at the door itself."
LONGEST_SUBJECT = 60
MOST_LISTED = 3
HEARD_WITHIN = timedelta(hours=24)
UNSEEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
NUMBERS = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten")
ENDED = {"gone": "it is gone", "mark": "a mark was written", "person": "closed by a person"}
ENDED |= {"retired": "what it was about is retired", "lapsed": "it lapsed"}
LEADS = {
    "rose": "Worse: ",
    "eased": "Eased: ",
    "back": "Back: ",
    "still": "Still: ",
    "chatter": "Comes and goes: ",
    "passed": "Came and went: ",
    "over": "Over by now: ",
    "ended": "Over: ",
    "contradicted": "It did not hold: ",
}
LATER_READINGS = "Readings that came later show that it did not hold."


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertWords:
    """An alert in words: its word, its door and place, what is seen, since when, what to do, and a link.

    `hidden`: what a gauge in doubt keeps from being said.
    """

    word: str
    door: str
    place: str
    say: str
    do: str
    since: date
    link: str
    hidden: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorHeard:
    """A door and when its box was last heard."""

    shown: str
    heard: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What stands round the lines: the doors heard by `now`, what was given up, the page of all alerts."""

    now: datetime
    zone: str
    link: str
    heard: Sequence[DoorHeard] = ()
    given_up: Sequence[str] = ()


def clean(text: str) -> str:
    """A text on one line, without control, format or other unseen characters."""
    spaced = "".join(" " if one.isspace() else one for one in text)
    return " ".join("".join(one for one in spaced if unicodedata.category(one) not in UNSEEN).split())


def subject(word: str, *, door: str, place: str, more: int = 0) -> str:
    """`{word}: {door}, {place}`, at most 60 characters: the door's name gives way first."""
    tail = f"{', ' + clean(place) if place else ''}{f' and {more} more' if more else ''}"
    head, name = f"{clean(word)}: ", clean(door)
    room = LONGEST_SUBJECT - len(head) - len(tail)
    if len(name) > room:
        name = f"{name[: max(room - 1, 0)].rstrip()}…"
    return _cut(clean(f"{head}{name}{tail}"))


def subject_of(draft: Draft, words: Mapping[int, AlertWords]) -> str:
    """The subject of a draft: its first line's, or the sheet's."""
    if draft.lines:
        first = words[draft.lines[0].alert_id]
        lead = LEADS.get(draft.lines[0].kind, "").strip()
        word = f"{lead} {first.word[0].lower()}{first.word[1:]}" if lead else first.word
        return subject(word, door=first.door, place=first.place, more=len(draft.lines) - 1)
    count = len(draft.standing or ())
    return _cut(f"The month's sheet: {'nothing stands' if not count else f'{count} standing'}")


def body(draft: Draft, words: Mapping[int, AlertWords], around: Around) -> str:
    """The text of a draft: five lines for one cause, one line a cause for several, the sheet below."""
    parts = [[f"A message did not reach you: {clean(one)}" for one in around.given_up]]
    if len(draft.lines) == 1 and draft.standing is None:
        parts.append(_one(draft.lines[0], words[draft.lines[0].alert_id]))
    else:
        parts += [_several(draft, words), _sheet(draft, words, around)]
        parts.append([CAUTION, around.link])
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def line_text(line: Line, words: AlertWords) -> str:
    """One cause on one line."""
    return clean(f"{LEADS.get(line.kind, '')}{_titled(words)}. {_seen(line, words)}")


def _one(line: Line, words: AlertWords) -> list[str]:
    since = f"Since {_day(words.since)}."
    if line.kind == "still":
        since = f"Since {_day(words.since)}; nobody has seen it yet."
    do = clean(words.do.replace(CAUTION, ""))
    is_over = line.kind in ("ended", "passed", "over", "contradicted")
    return [line_text(line, words), since, *([] if is_over or not do else [do]), CAUTION, words.link]


def _several(draft: Draft, words: Mapping[int, AlertWords]) -> list[str]:
    if not draft.lines:
        return []
    listed = [line_text(line, words[line.alert_id]) for line in draft.lines]
    if not draft.flood:
        return listed
    more = draft.flood - MOST_LISTED
    return [f"{draft.flood} things at once. The most pressing:", *listed[:MOST_LISTED], f"and {more} more"]


def _sheet(draft: Draft, words: Mapping[int, AlertWords], around: Around) -> list[str]:
    if draft.standing is None:
        return []
    rows = [f"{_titled(words[n])}, since {_day(words[n].since)}." for n in draft.standing]
    head = ["What stands:"] if rows else ["Nothing stands."]
    return [*head, *map(clean, rows), _heard(around)]


def _heard(around: Around) -> str:
    late = [one for one in around.heard if one.heard is None or around.now - one.heard > HEARD_WITHIN]
    count = len(around.heard) - len(late)
    many = NUMBERS[count] if count < len(NUMBERS) else str(count)
    text = f"{many} {'door was' if count == 1 else 'doors were'} heard."
    return clean(" ".join([text, *(f"{one.shown}: {_last_heard(one, around)}." for one in late)]))


def _last_heard(one: DoorHeard, around: Around) -> str:
    if one.heard is None:
        return "never heard"
    return f"last heard on {_day(one.heard.astimezone(ZoneInfo(around.zone)).date())}"


def _seen(line: Line, words: AlertWords) -> str:
    if line.kind == "contradicted":
        return LATER_READINGS
    if line.kind in ("ended", "passed", "over"):
        how = ENDED.get(line.detail)
        return f"{how[0].upper()}{how[1:]}." if how else ""
    if line.kind == "carries":
        return f"{words.say} {words.hidden}"
    return words.say


def _titled(words: AlertWords) -> str:
    return f"{words.word}: {words.door}{', ' + words.place if words.place else ''}"


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST_SUBJECT else f"{text[: LONGEST_SUBJECT - 1].rstrip()}…"

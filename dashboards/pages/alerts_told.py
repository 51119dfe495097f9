"""What happened to an alert, why it is held back, and whether messages pass, in words."""

from collections.abc import Sequence
from datetime import date

from dashboards.pages import dates
from server.alerts.delivery.failing import Way
from server.alerts.ledger import AlertView, Happened

HOW = {
    "gone": "Its reason went away",
    "mark": "A mark was made",
    "contradicted": "Readings that came later show that it did not hold",
    "retired": "What it was about is no longer watched",
    "lapsed": "It lapsed after 60 nights",
    "told": "Told once",
    "person": "Closed by hand",
}
NO_CHANNEL = (
    "Nobody is told of what stands: no channel is set up. `hangtrue config example` shows how to set one up "
    "in the settings file, under `[[delivery.channel]]`."
)
SLOW_H = 1.0


def event_lines(events: Sequence[Happened], zone: str) -> list[tuple[str, str]]:
    """Each event as a date and a sentence, oldest first."""
    return [(dates.local_date(one.at, zone), _sentence(one)) for one in events]


def held_words(one: AlertView) -> str | None:
    """Why an alert is held back and since when; None while it is not."""
    return (
        None
        if one.held is None
        else f"{one.held[0].upper()}{one.held[1:]}. It stands until it is judged again."
    )


def way_notes(ways: Sequence[Way]) -> list[str]:
    """What the reader has to know of messages: that nobody is told, or by which channel nothing passes."""
    return (
        [_failing(one) for one in ways if one.is_refused or one.failing_h >= SLOW_H] if ways else [NO_CHANNEL]
    )


def _failing(one: Way) -> str:
    waits = "" if not one.waiting else f" {one.waiting} {'waits' if one.waiting == 1 else 'wait'}."
    last = f" Last word: {one.last_word}." if one.last_word else ""
    tried = f"hangtrue notice test {one.channel} tries it."
    if one.is_refused:
        said = f"Messages do not pass: the other side refuses what is sent by {one.channel}."
        return f"{said}{last}{waits} {tried}"
    hours = f"{one.failing_h:.0f} {'hour' if round(one.failing_h) == 1 else 'hours'}"
    return f"Messages do not pass by {one.channel} for {hours}.{last}{waits} {tried}"


def _sentence(one: Happened) -> str:
    if one.kind in ("raised", "rose", "eased", "back"):
        lead = {"raised": "Raised", "rose": "Worse", "eased": "Eased", "back": "Came back"}[one.kind]
        since = one.detail.removeprefix("since ")
        late = f", since {dates.long_date(date.fromisoformat(since[:10]))}" if since else ""
        return f"{lead}{late}: {one.word}. {one.say}".strip()
    if one.kind == "left":
        return f"Left until {dates.long_date(date.fromisoformat(one.detail))}{_by(one)}."
    if one.kind == "ended":
        return f"Ended{_by(one)}: {one.words or HOW.get(one.detail, one.detail)}"
    return {
        "seen": f"Seen{_by(one)}.",
        "frozen": f"Held back: {one.detail}.",
        "thawed": "Judged again.",
        "carries": one.detail,
    }.get(one.kind, one.kind)


def _by(one: Happened) -> str:
    return f" by the {one.by}" if one.by == "keeper" else " by a command" if one.by == "command" else ""

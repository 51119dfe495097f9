"""When a message is tried again, and when it is given up. Pure."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from server.alerts.delivery.values import Answer, Later, Refused, Sent

# Minutes after the first try: 0, 1, 6, 21, 81, then each four hours.
WAITS_MIN = (1, 5, 15, 60)
LONGEST_WAIT = timedelta(hours=4)
SPREAD = 0.2
LIVES = {"night": timedelta(hours=72), "week": timedelta(hours=24), "month": timedelta(hours=24)}
QUIET = "21:00-06:00"

Spread = Callable[[], float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """Hours of a yard in which nothing is sent, from a time to a time of its zone; the same twice: none."""

    start: time
    end: time
    zone: str

    @classmethod
    def of(cls, text: str, zone: str) -> "Quiet":
        """From `21:00-06:00`. Raises ValueError for another text."""
        start, _, end = text.partition("-")
        return cls(start=time.fromisoformat(start), end=time.fromisoformat(end), zone=zone)

    def after(self, moment: datetime) -> datetime:
        """The moment itself, or the end of the quiet hours that it lies in."""
        local = moment.astimezone(ZoneInfo(self.zone))
        now = local.time().replace(tzinfo=None)
        over_night = self.start > self.end
        within = (now >= self.start or now < self.end) if over_night else self.start <= now < self.end
        if not within:
            return moment
        day = local.date() + timedelta(days=1 if over_night and now >= self.start else 0)
        end = datetime.combine(day, self.end, ZoneInfo(self.zone)).astimezone(moment.tzinfo)
        return max(moment, end)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What becomes of a message after a try: its state, and when it is tried next if it still waits."""

    state: str
    next_try: datetime


def life_of(kind: str) -> timedelta:
    """How long a message of a kind is tried; a test is tried once."""
    return LIVES.get(kind, timedelta(0))


def after_try(
    answer: Answer, *, tries: int, now: datetime, expires: datetime, spread: float, quiet: Quiet | None = None
) -> Outcome:
    """What follows from an answer. `tries` counts this one; `spread` is a factor from 0.8 to 1.2.

    A wait that the other side asks for is kept as it is, up to four hours. A try exactly at `expires` is
    made, one after it is not.
    """
    if isinstance(answer, Sent | Refused):
        return Outcome(state="sent" if isinstance(answer, Sent) else "refused", next_try=now)
    if isinstance(answer, Later):
        wait = min(timedelta(seconds=max(answer.seconds, 0.0)), LONGEST_WAIT)
    elif tries <= len(WAITS_MIN):
        wait = timedelta(minutes=WAITS_MIN[tries - 1]) * spread
    else:
        wait = LONGEST_WAIT * spread
    following = now + wait if quiet is None else quiet.after(now + wait)
    if following > expires or now >= expires:
        return Outcome(state="expired", next_try=now)
    return Outcome(state="waiting", next_try=following)

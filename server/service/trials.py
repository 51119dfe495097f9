"""The trials of a night: each is looked at by itself, once every door has been."""

import logging

from sqlalchemy import Engine

from server.alerts import ledger
from server.alerts.steps import DOUBTING
from server.database import session_of
from server.inspection import results
from server.inspection.trial_nights import DoorsRead, TrialNight, look_at_trial
from server.inspection.use import openings_a_year
from server.trials.looks import KeptLook
from server.trials.store import find, seals

log = logging.getLogger(__name__)


def look_at_trials(engine: Engine, end_day: int) -> list[KeptLook]:
    """Look at every trial that stands for the night before `end_day` (days since 1970), and keep its look.

    One trial's failure is told in the log and stops neither another nor the night.
    """
    try:
        with session_of(engine) as session:
            every = seals(session)
            doubted = [one.about for one in ledger.standing(session) if one.step in DOUBTING] if every else []
    except Exception:  # the night's doors are done: what hinders the trials must not undo them
        log.exception("could not begin with the trials of day %d", end_day)
        return []
    night = TrialNight(end_day=end_day, in_doubt=frozenset(doubted), openings_a_year=openings_a_year)
    read: DoorsRead = {}
    looks = (_looked(engine, seal, night, read) for seal in every)
    return [one for one in looks if one is not None]


def _looked(engine: Engine, seal: str, night: TrialNight, read: DoorsRead) -> KeptLook | None:
    try:
        with session_of(engine) as session:
            results.hold(session, f"trial/{seal}")
            return look_at_trial(session, find(session, seal), night, read)
    except Exception:  # one trial's failure is told and must stop no other
        log.exception("could not look at trial %s for day %d", seal[:8], night.end_day)
        return None

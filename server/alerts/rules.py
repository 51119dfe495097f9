"""The rules of alerts: judge, count, hold back, compare, cover, say. Values in, values out."""

from server.alerts.changing import (
    AlertNow,
    Change,
    are_words,
    changes,
    closed_by_person,
    most_left,
    worsened,
)
from server.alerts.covering import Standing, cover
from server.alerts.folding import (
    IN_DOUBT,
    NOT_HEARD,
    NOT_LOOKED_AT,
    Condition,
    Count,
    Held,
    fold,
    judge,
    nights_between,
)
from server.alerts.marking import Mark, counts_anew, night_of
from server.alerts.nights import (
    Around,
    Carried,
    Key,
    carried,
    doubted_of,
    fold_night,
    silent_of,
    site_finding,
)
from server.alerts.steps import STEPS, Step, Weight, steps_of
from server.alerts.verdicts import Evidence, Found, Limits, Noted, Verdict
from server.alerts.words import carrying, sentence, to_do

__all__ = [
    "IN_DOUBT",
    "NOT_HEARD",
    "NOT_LOOKED_AT",
    "STEPS",
    "AlertNow",
    "Around",
    "Carried",
    "Change",
    "Condition",
    "Count",
    "Evidence",
    "Found",
    "Held",
    "Key",
    "Limits",
    "Mark",
    "Noted",
    "Standing",
    "Step",
    "Verdict",
    "Weight",
    "are_words",
    "carried",
    "carrying",
    "changes",
    "closed_by_person",
    "counts_anew",
    "cover",
    "doubted_of",
    "fold",
    "fold_night",
    "judge",
    "most_left",
    "night_of",
    "nights_between",
    "sentence",
    "silent_of",
    "site_finding",
    "steps_of",
    "to_do",
    "worsened",
]

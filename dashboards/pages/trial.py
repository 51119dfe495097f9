"""Trials declared beforehand: the list with the planner, one trial, its sheet to sign. All is read only."""

from dataclasses import replace

from flask import Blueprint, Response, render_template, request

from dashboards.pages import words
from dashboards.pages.ours import ours, sheet
from dashboards.pages.trial_told import PLAN_SEED, listed, planned_words, trial_view
from server.doors import register
from server.errors import OutOfRangeError
from server.trend.trial_error import DROOP_MM, TURN_MRAD
from server.trend.trial_fence import NEWEST
from server.trend.trial_plan import Ask
from server.trials.export import export
from server.trials.planned import PER_N_M, plan
from server.trials.store import drafts, find, list_trials
from server.trials.words import KEEP_A_COPY, MAY_LOOK, READ_BY

pages = Blueprint("trial", __name__)
FIELDS = {
    "pairs": ("1", 1, 100),
    "years": ("6", 1, 15),
    "difference": ("0.10", 0.001, 10),
    "moment": ("", 1, 10_000),
}
NAMES = {
    "pairs": "pairs of doors",
    "years": "years",
    "difference": "the difference that matters",
    "moment": "what the joints carry",
}


@pages.get("/trials")
def trials() -> str:
    """What a trial could tell, and the trials there are."""
    asked = {name: request.args.get(name, usual) for name, (usual, _, _) in FIELDS.items()}
    ask, quantity = ask_of(asked)
    with ours().sessions() as session:
        rows = [listed(session, one) for one in reversed(list_trials(session))]
        waiting = [(one.id, str(one.record["question"]), one.by) for one in drafts(session)]
        frame = sheet(session, title="Trials", nav="compare", heard=register.list_doors(session))
    from numpy.random import default_rng

    return render_template(
        "trials.html",
        sheet=frame,
        asked=asked,
        planned=planned_words(plan(ask, default_rng(PLAN_SEED)), quantity),
        trials=rows,
        drafts=waiting,
        may_look=MAY_LOOK,
        read_by=READ_BY[NEWEST.name],
        lead=_lead(len(rows)),
    )


@pages.get("/trials/<seal>")
def trial(seal: str) -> str:
    """One trial."""
    return _page("trial.html", seal)


@pages.get("/trials/<seal>/sheet")
def trial_sheet(seal: str) -> str:
    """Its record on one sheet, to be printed and signed."""
    return _page("trial_sheet.html", seal)


@pages.get("/trials/<seal>/trial.json")
def exported(seal: str) -> Response:
    """The record, its seal and every look, to be kept elsewhere."""
    with ours().sessions() as session:
        found = find(session, seal)
        body = export(session, found.seal)
    response = Response(body, mimetype="application/json")
    response.headers["Content-Disposition"] = f'attachment; filename="trial-{found.seal[:8]}.json"'
    return response


def ask_of(given: dict[str, str]) -> tuple[Ask, str]:
    """The planner's question as it was typed, and its quantity. Raises OutOfRangeError."""
    numbers = {name: _number(name, text) for name, text in given.items()}
    moment = numbers["moment"]
    pairs, years, difference = (numbers[name] or 0.0 for name in ("pairs", "years", "difference"))
    error = DROOP_MM if moment is None else TURN_MRAD.times(PER_N_M / moment)
    ask = Ask(pairs=int(pairs), horizon_years=years, difference=difference, error=error)
    return ask, "droop" if moment is None else "turn_per_100_n_m"


def _number(name: str, text: str) -> float | None:
    usual, low, high = FIELDS[name]
    if not text.strip() and not usual:
        return None
    try:
        value = float((text.strip() or usual).replace(",", ".")[:20])
    except ValueError:
        value = float("nan")
    if not low <= value <= high or (name == "pairs" and value != int(value)):
        kind = "a whole number" if name == "pairs" else "a number"
        raise OutOfRangeError(
            f"plan a trial: {NAMES[name]}", f"{kind} from {low:g} to {high:g}", repr(text[:40])
        )
    return value


def _page(template: str, seal: str) -> str:
    with ours().sessions() as session:
        found = find(session, seal)
        view = trial_view(session, found)
        frame = sheet(
            session,
            title=f"Trial {view.short}",
            nav="compare",
            name="Trial",
            heard=register.list_doors(session),
        )
    frame = replace(frame, measured=view.unit)
    return render_template(template, sheet=frame, trial=view, keep_a_copy=KEEP_A_COPY, may_look=MAY_LOOK)


def _lead(count: int) -> str:
    if count == 0:
        return "No trial is sealed yet. A trial declared now loses nothing; a year later it loses that year."
    return f"{words.count(count, 'trial is', 'trials are')} sealed."

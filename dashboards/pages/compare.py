"""Two doors side by side: whether one joint turns more than the other, for what each carries."""

from dataclasses import dataclass, replace
from functools import partial
from operator import eq
from typing import cast

import numpy as np
from flask import Blueprint, Response, abort, jsonify, render_template, request
from pydantic import BaseModel

from dashboards.figures import live, stills
from dashboards.figures.stills import PairLine
from dashboards.figures.weeks import weekly
from dashboards.pages import compare_words, dates, words
from dashboards.pages.compare_words import Verdict
from dashboards.pages.facts import DoorFacts
from dashboards.pages.models import BesideOut, BoundsOut, CompareOut, RateOut, Word
from dashboards.pages.movement import Movement, movement
from dashboards.pages.ours import Sheet, all_facts, ours, sheet
from dashboards.pages.pairs import Compared, asked_for, compared
from dashboards.pages.trial_told import TrialView, trial_view
from dashboards.pages.unlike import unlike
from server.database import Session
from server.errors import UnknownDoorError
from server.inspection import results
from server.inspection.comparing import DROOP, BesideOpenings, SeenSoFar
from server.inspection.declared_for import trial_of
from server.inspection.use_said import Rates, rates_per_openings
from server.trend.trial import Look
from server.trend.trial_pairs import PER_N_M
from server.trend.trial_use import PerOpenings

pages = Blueprint("compare", __name__)
Moves = tuple[Movement | None, Movement | None]
MEASURED = {DROOP: "mm a year, by which one droop grows more"}
MEASURED_JOINT = "mrad a year for each 100\u00a0N·m"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What is told of two doors, and the trial that was declared of them, if any."""

    told: Compared
    moves: Moves
    trial: TrialView | None

    @property
    def verdict(self) -> Verdict:
        """The trial's word where one was declared; else what is seen so far."""
        return self.trial.verdict if self.trial else compare_words.seen_verdict(self.told)

    @property
    def rates(self) -> Rates:
        """Each door's own rate for 10,000 openings."""
        return rates_per_openings(self.moves, self.told.seen.asked, self.told.pair.use)


@pages.get("/compare")
def compare() -> str:
    """Whether one joint turns more than the other."""
    with ours().sessions() as session:
        every = sorted(all_facts(session), key=lambda one: one.door.ref)
        frame = sheet(session, title="Compare", nav="compare", heard=[one.door for one in every])
        answer = _answer(session, every)
    if answer is None:
        return render_template("compare.html", sheet=frame, doors=every, answer=None)
    told = answer.told
    lines = pair_lines(told, answer.moves)
    return render_template(
        "compare.html",
        sheet=_measured(frame, told.name),
        doors=every,
        answer=answer,
        chosen=(told.asked.a, told.asked.b),
        joints=[(one, words.place(one)) for one in told.pair.joints],
        named="the leaf" if told.name == DROOP else words.place(told.name).lower(),
        no_joint=_no_joint(told),
        verdict=answer.verdict,
        query=query_of(told),
        still=stills.pair(lines, least=_least(told)) if lines else None,
        unlike=unlike(told),
        use=compare_words.use_words(told, answer.rates),
        beside=compare_words.droop_beside(told),
        undeclared=compare_words.undeclared_words(told.pair),
        bars=compare_words.BARS,
        two_doors=words.TWO_DOORS,
    )


@pages.get("/figures/pair.json")
def pair_data() -> Response:
    """The live figure of two doors."""
    with ours().sessions() as session:
        asked = asked_for(all_facts(session), request.args)
        told = compared(session, asked) if asked else None
        lines = pair_lines(told, moves_of(session, told)) if told else []
    if not told or not lines:
        abort(404)
    unit = "mm" if told.name == DROOP else "mrad"
    return jsonify(live.pair(lines, least=_least(told), unit=unit))


@pages.get("/api/v1/compare")
def compared_data() -> Response:
    """The same as data."""
    with ours().sessions() as session:
        every = all_facts(session)
        answer = _answer(session, every)
    if answer is None:
        raise UnknownDoorError("compare two doors", "two doors that are hung here", str(len(every)))
    return _told(compare_out(answer))


def compare_out(answer: Answer) -> CompareOut:
    """An answer as data."""
    told, verdict, trial = answer.told, answer.verdict, answer.trial
    moments = told.seen.asked.moments_n_m
    return CompareOut(
        a=told.asked.a.door.ref,
        b=told.asked.b.door.ref,
        compared=told.name,
        joints=list(told.pair.joints),
        unit="mm" if told.name == DROOP else "mrad per 100 N m",
        moments_n_m=None if moments is None else list(moments),
        band=told.asked.band,
        is_declared=trial is not None,
        trial=None if trial is None else trial.seal,
        word=cast("Word", verdict.word),
        head=verdict.head,
        say=verdict.say,
        more=verdict.more,
        use=compare_words.use_words(told, answer.rates),
        openings_a_year=[None if one is None else one.year.total for one in told.pair.use],
        rates_per_10000=[_rate_out(one) for one in answer.rates],
        per_10000=None if told.per_openings is None else _bounds_out(told, told.per_openings),
        beside_openings=_beside_out(told.seen.beside),
        seen_so_far=_bounds_out(told, told.seen),
        droop=None if told.droop is None else _bounds_out(told, told.droop),
    )


def moves_of(session: Session, told: Compared) -> Moves:
    """The compared series of both doors, with their days; None where a look said nothing of it."""
    found = []
    for one, key in zip((told.asked.a, told.asked.b), told.seen.asked.keys, strict=True):
        series = results.results_of(session, one.door.id, with_parts=partial(eq, key)).get(key)
        found.append(None if series is None else movement(series))
    return found[0], found[1]


def pair_lines(told: Compared, moves: Moves) -> list[PairLine]:
    """What stays of both by years since hung, a turn for each 100 N·m; none unless both are told."""
    a, b = told.asked.a, told.asked.b
    if a.door.id == b.door.id or not all(move and move.is_told for move in moves):
        return []
    moments = told.seen.asked.moments_n_m
    times = (1.0, 1.0) if moments is None else (PER_N_M / moments[0], PER_N_M / moments[1])
    found = [
        _line(one, move, size, is_dashed=one is b)
        for one, move, size in zip((a, b), moves, times, strict=True)
        if move
    ]
    return [line for line in found if line]


def query_of(told: Compared) -> str:
    """The address' query that asks the same again."""
    a, b = (f"{one.door.site}/{one.door.name}" for one in (told.asked.a, told.asked.b))
    return f"a={a}&b={b}&joint={told.name}"


def _answer(session: Session, every: list[DoorFacts]) -> Answer | None:
    asked = asked_for(every, request.args)
    if asked is None:
        return None
    told = compared(session, asked)
    doors = asked.a.door, asked.b.door
    declared = trial_of(session, doors, told.name)
    if declared is None and asked.name is None:  # not asked for one: a declared one goes before the first
        for name in told.pair.asked:
            declared = trial_of(session, doors, name)
            if declared is not None:
                told = compared(session, replace(asked, name=name))
                break
    view = None if declared is None else trial_view(session, declared)
    return Answer(told=told, moves=moves_of(session, told), trial=view)


def _measured(frame: Sheet, name: str) -> Sheet:
    return replace(frame, measured=MEASURED.get(name, MEASURED_JOINT))


def _no_joint(told: Compared) -> str:
    """Why no joint can be chosen; empty where one can."""
    if told.pair.joints:
        return ""
    return "No joint can be compared: it takes a joint that both watch with a pair of gauges, and its moment."


def _least(told: Compared) -> float:
    return 0.2 if told.name == DROOP else 0.02


def _line(one: DoorFacts, move: Movement, times: float, *, is_dashed: bool) -> PairLine | None:
    parts = move.shown_parts
    if parts is None:
        return None
    weeks = weekly(parts)
    fine = np.isfinite(weeks.stays)
    if not fine.any():
        return None
    years = (weeks.day - dates.day_number(one.door.hung)) / 365.25
    return PairLine(
        name=words.isolated(one.door.shown),
        years=years[fine],
        stays=weeks.stays[fine] * times,
        low=weeks.low[fine] * times,
        high=weeks.high[fine] * times,
        is_dashed=is_dashed,
    )


def _bounds_out(told: Compared, seen: SeenSoFar) -> BoundsOut:
    refused = compare_words.not_compared(told, seen)
    look, said = seen.look, seen.said
    is_told = look is not None and not refused
    return BoundsOut(
        word="not_to_be_compared" if look is None or refused else look.word,
        reason=refused,
        difference=said.difference if is_told else None,
        tonight_low=said.low if is_told else None,
        tonight_high=said.high if is_told else None,
        low=look.low if look is not None and is_told else None,
        high=look.high if look is not None and is_told else None,
        years=seen.years,
        could_tell_years=look.could_tell_years if look is not None and is_told else None,
    )


def _beside_out(beside: BesideOpenings | None) -> BesideOut | None:
    if beside is None:
        return None
    difference, a, b = (_look_out(one) for one in (beside.difference, beside.a, beside.b))
    return BesideOut(ratio=beside.ratio, difference=difference, a=a, b=b)


def _look_out(look: Look | None) -> RateOut | None:
    return None if look is None else RateOut(rate=look.estimate.value, low=look.low, high=look.high)


def _rate_out(one: PerOpenings | None) -> RateOut | None:
    if one is None:
        return None
    return RateOut(rate=one.rate, low=one.rate - one.half, high=one.rate + one.half)


def _told(value: BaseModel) -> Response:
    return Response(value.model_dump_json(), mimetype="application/json")

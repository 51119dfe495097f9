"""The page of one door: how far it is down, how much of that stays, whether it grows, how much is left."""

from collections.abc import Sequence
from dataclasses import dataclass

from flask import Blueprint, Response, abort, jsonify, render_template, request

from dashboards.figures import drawing, live, stills
from dashboards.figures.drawing import Bar, Elevation, GaugeSeen, Leaf, RailSeen
from dashboards.figures.geometry import Still
from dashboards.figures.weeks import Round, rounds
from dashboards.pages import ahead, dates, noticed, telling, trends, words
from dashboards.pages.carpentry import built_view
from dashboards.pages.facts import DoorFacts, Spent, doubted_gauges
from dashboards.pages.log import log_of
from dashboards.pages.missing import missing
from dashboards.pages.movement import movement
from dashboards.pages.ours import facts_of, ours, sheet
from dashboards.pages.telling import BarWords
from dashboards.pages.use_told import use_line
from server.alerts import ledger
from server.database import Session
from server.doors import marks, register
from server.inspection import results
from server.inspection.felt import felt_beside

pages = Blueprint("door", __name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnBar:
    """A limit bar and its words."""

    bar: Bar
    words: BarWords


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundDrawn:
    """The season's round as first drawn, with its caption."""

    still: Still
    caption: str


@pages.get("/doors/<site>/<name>")
def door(site: str, name: str) -> str:
    """What a keeper sees first: the answer, then the drawing it rests on."""
    with ours().sessions() as session:
        facts = facts_of_name(session, site, name)
        every = marks.marks_of(session, facts.door.id, with_taken_back=True)
        made = [one for one in every if one.taken_back is None]
        frame = sheet(session, title=facts.door.shown, nav="doors", heard=[facts.door])
        running = joint_running(session, facts)
        use = use_line(session, facts)
        steps = noticed.found_steps(facts, made)
        steps = noticed.with_slams(steps, felt_beside(session, facts.door, [one.day for one in steps]))
    unlogged = steps[-1] if steps else None
    return render_template(
        "door.html",
        sheet=frame,
        facts=facts,
        lead=telling.answer(facts),
        second=telling.second(facts),
        notes=telling.notes(facts),
        use=use,
        since_hung=telling.SINCE_HUNG,
        pencilled=telling.pencilled(facts),
        nothing_drawn=telling.nothing_drawn(facts),
        line=telling.line_words(facts.main) if facts.main else "hung line",
        elevation=elevation(facts),
        joints_caption=telling.joints_caption(facts.joints, facts),
        as_built=telling.as_built(facts),
        built=built_view(facts),
        log=log_of(facts, every, steps),
        unlogged=None if unlogged is None else (unlogged.mark, dates.day_date(unlogged.day).isoformat()),
        trends=drawn_trends(facts, running, noticed.ticks(facts, made)),
        # The last values of a silent door are not shown as if they were now.
        **({} if facts.state == "not_heard" else shown_now(facts)),
    )


def shown_now(facts: DoorFacts) -> dict[str, object]:
    """What the page shows of a door that is heard: what is left, dates, what is missing, joints, season."""
    today = dates.day_number(facts.now)
    return {
        "bars": [_bar(one, today) for one in (facts.leaf, facts.worst) if one],
        "dated": ahead.others(facts),
        "caution": ahead.CAUTION if ahead.has_date(facts) else None,
        "missing": missing(facts.main),
        "season": season(facts),
        "joints": [telling.joint_row(one) for one in facts.joints],
    }


def drawn_trends(
    facts: DoorFacts, running: trends.Drawn | None, ticks: Sequence[noticed.Tick]
) -> list[trends.Trend]:
    """The corner's trend, and that of a joint under an alarm while the door is heard."""
    made = [trends.trend(facts, trends.main_drawn(facts), ticks)]
    if facts.state != "not_heard":
        made.append(trends.trend(facts, running))
    return [one for one in made if one]


@pages.get("/figures/<site>/<name>/trend.json")
def trend_data(site: str, name: str) -> Response:
    """The live trend: of the corner, or with `series` of the joint under an alarm."""
    asked = request.args.get("series")
    with ours().sessions() as session:
        facts = facts_of_name(session, site, name)
        made = marks.marks_of(session, facts.door.id)
        drawn = trends.main_drawn(facts) if asked is None else joint_running(session, facts)
    weeks = trends.weeks_of(drawn)
    if weeks is None or drawn is None or asked not in (None, drawn.movement.key):
        abort(404)
    said = trends.figure_words(facts, drawn, noticed.ticks(facts, made) if asked is None else ())
    return jsonify(live.trend(weeks, stills.depth_of(weeks, said.limit_mm), said))


@pages.get("/figures/<site>/<name>/round.json")
def round_data(site: str, name: str) -> Response:
    """The live season's round."""
    with ours().sessions() as session:
        facts = facts_of_name(session, site, name)
    told = rounds_of(facts)
    if not told:
        abort(404)
    return jsonify(live.season_round(told, lambda day: dates.long_date(dates.day_date(day))))


def facts_of_name(session: Session, site: str, name: str) -> DoorFacts:
    """Facts of the door of that name. Raises UnknownDoorError."""
    found = register.find_door(session, f"{site}/{name}")
    return facts_of(session, found, list(ledger.standing(session)), ours().clock())


def elevation(facts: DoorFacts) -> Elevation:
    """The leaf to scale, out of true as its droop has it; square while nothing is told."""
    main = facts.main
    shown = main.split if main else None
    now = None if main is None or main.word("line") == "none" else main.number("now")
    stays, back = (shown.stays, shown.back) if shown else (0.0, round(now or 0.0, 2))
    return drawing.elevation(_leaf(facts), stays_mm=stays, back_mm=back)


def joint_running(session: Session, facts: DoorFacts) -> trends.Drawn | None:
    """The joint on the bar with the days of its series, where its alarm stands; None without one."""
    worst = facts.worst
    if worst is None or not worst.movement.is_alarmed:
        return None
    key = worst.movement.key
    found = results.results_of(session, facts.door.id, with_parts=lambda one: one == key).get(key)
    return None if found is None else trends.joint_drawn(worst, movement(found))


def rounds_of(facts: DoorFacts) -> tuple[Round, ...]:
    """The season's rounds, none while season and set are not told apart."""
    main = facts.main
    parts = main.shown_parts if main and main.is_told else None
    return rounds(parts) if parts is not None else ()


def season(facts: DoorFacts) -> RoundDrawn | None:
    """The season's round as first drawn."""
    told = rounds_of(facts)
    if not told or facts.main is None:
        return None
    lag = facts.main.number("lag_days")
    follows = (
        f" The wood follows the air by about {lag:.0f}{words.NBSP}days."
        if lag is not None and lag >= 1
        else ""
    )
    years = (
        "Each round is one year, the strongest is the last twelve months."
        if len(told) > 1
        else "One year’s round."
    )
    lie = " Rounds that lie on each other say that what comes back has not changed." if len(told) > 1 else ""
    return RoundDrawn(still=stills.season_round(told), caption=f"{years}{follows}{lie}")


def _bar(spent: Spent, today: int) -> DrawnBar:
    return DrawnBar(
        bar=drawing.bar(spent.stays, spent.season, spent.limit),
        words=telling.bar_words(spent, today=today),
    )


def _leaf(facts: DoorFacts) -> Leaf:
    built = facts.door.built
    lost = facts.state == "not_heard"
    doubted = doubted_gauges(facts.standing)
    axes = {rail.name: rail.axis_mm for rail in built.rails}
    gauges = []
    for gauge in built.gauges:
        place = gauge_place(gauge.kind, gauge.station_mm, gauge.joint, facts, axes)
        if place:
            gone = lost or gauge.channel.rpartition("/")[2] in doubted
            gauges.append(GaugeSeen(x_mm=place[0], y_mm=place[1], is_lost=gone))
    return Leaf(
        width_mm=built.width_mm,
        height_mm=built.height_mm,
        stile_mm=built.stile_mm,
        rails=[RailSeen(axis_mm=rail.axis_mm, depth_mm=rail.depth_mm) for rail in built.rails],
        hinges_mm=[hinge.y_mm for hinge in built.hinges],
        gauges=gauges,
    )


def gauge_place(
    kind: str, station: tuple[float, ...], joint: str | None, facts: DoorFacts, axes: dict[str, float]
) -> tuple[float, float] | None:
    """Where a gauge is drawn, from the hinge edge and the foot; None for one that is not on the leaf."""
    built = facts.door.built
    wide, high = built.width_mm, built.height_mm
    if kind == "droop":
        return wide - 55, 60
    if kind == "shoulder" and joint and station:
        rail, _, end = joint.rpartition("-")
        return (built.stile_mm if end == "hinge" else wide - built.stile_mm), axes.get(
            rail, high / 2
        ) + station[0]
    edges = {"head": (0, high - 40), "sill": (0, 40), "hinge": (40, 0), "latch": (wide - 40, 0)}
    if kind in edges and station:
        x, y = edges[kind]
        return (station[0], y) if kind in ("head", "sill") else (x, station[0])
    return None

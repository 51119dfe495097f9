"""What a feeler says beside each gauge: a form to keep it, on a phone beside the door, and what was kept."""

from collections.abc import Sequence
from dataclasses import dataclass

from flask import Blueprint, abort, redirect, render_template, request
from werkzeug.wrappers import Response

from dashboards.pages import dates
from dashboards.pages.ours import ours, sheet, zone_of
from server.alerts.words import place
from server.doors import register
from server.doors.checks import FeelerCheck, add_check, checks_of, felt_gauges

pages = Blueprint("feeler", __name__)
FIELDS = ("first", "second", "third")
KNOWN = {*FIELDS, "csrf_token", "gauge", "step", "closed", "by"}
SHOWN = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A check as printed."""

    day: str
    gauge: str
    felt: str
    by: str
    note: str


@pages.get("/doors/<site>/<name>/feeler")
def form(site: str, name: str) -> str:
    """The form, and what was kept, newest first."""
    with ours().sessions() as session:
        door = register.find_door(session, f"{site}/{name}")
        kept = checks_of(session, door.id)
        frame = sheet(session, title=f"Feeler at {door.shown}", nav="doors", heard=[door])
    gauges = [(channel, place(channel)) for channel in felt_gauges(door.built)]
    return render_template(
        "feeler.html",
        sheet=frame,
        door=door,
        gauges=gauges,
        rows=rows_of(kept[::-1][:SHOWN], zone_of(door)),
        more=max(len(kept) - SHOWN, 0),
    )


@pages.post("/doors/<site>/<name>/feeler")
def keep(site: str, name: str) -> Response:
    """Keep a check as it was felt now."""
    if set(request.form) - KNOWN or any(len(request.form.getlist(one)) > 1 for one in request.form):
        abort(400, "The form came with a field that is not its own.")
    now = ours().clock()
    now_ms = round(now.timestamp() * 1000)
    is_closed = request.form.get("closed") == "1"
    values_mm = tuple(_number(one) for one in FIELDS if not is_closed or one == "first")
    check = FeelerCheck(
        gauge=request.form.get("gauge", ""),
        t_ms=now_ms,
        values_mm=values_mm * len(FIELDS) if is_closed else values_mm,
        step_mm=_number("step"),
        enters=not is_closed,
        by=request.form.get("by", "").strip(),
        added_ms=now_ms,
    )
    with ours().writing() as session:
        door = register.find_door(session, f"{site}/{name}")
        add_check(session, door, check, now=now)
    return redirect(f"/doors/{door.site}/{door.name}/feeler#h-kept", 303)


def rows_of(kept: Sequence[FeelerCheck], zone: str) -> list[Row]:
    """Checks in words."""
    return [
        Row(
            day=dates.local_date(dates.at_ms(one.t_ms), zone),
            gauge=place(one.gauge),
            felt=f"{one.gap_mm:.2f}" if one.enters else f"under {one.values_mm[0]:g}",
            by=one.by,
            note=""
            if one.is_sure
            else f"The three differ by {one.spread_mm:.2f} mm: feel again at one mark and enter it again. "
            "Nothing is judged by these.",
        )
        for one in kept
    ]


def _number(name: str) -> float:
    """A number of the form, with a point or a comma."""
    given = request.form.get(name, "").strip().replace(",", ".")
    try:
        return float(given)
    except ValueError:
        abort(
            400, "A gap in mm is needed three times, such as 0.35. Where no leaf goes in, the thinnest leaf."
        )

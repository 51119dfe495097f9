"""Limits of a door or of the house: what is compared with what, and why."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from flask import Blueprint, render_template

from dashboards.pages import dates, words
from dashboards.pages.ours import ours, sheet
from server.alerts import limits
from server.alerts.limits import LimitView
from server.doors import register

pages = Blueprint("limits", __name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A limit as printed."""

    what: str
    value: str
    default: str
    why: str
    set: str | None


@pages.get("/alerts/limits")
def of_the_house() -> str:
    """Limits of boxes, disk, back-up and messages."""
    return _page(None)


@pages.get("/alerts/limits/<site>/<name>")
def of_a_door(site: str, name: str) -> str:
    """Limits of a door."""
    return _page(f"{site}/{name}")


def rows_of(views: Sequence[LimitView]) -> list[Row]:
    """Limits in words, in the order of the rules."""
    return [
        Row(
            what=f"{one.said[0].upper()}{one.said[1:]}",
            value=f"{one.value:g}{words.NBSP}{one.unit}",
            default="" if one.since is None else f"{one.default:g}",
            why=f"{one.why[0].upper()}{one.why[1:]}.",
            set=None if one.since is None else f"Set, from {dates.long_date(date.fromisoformat(one.since))}.",
        )
        for one in views
    ]


def _page(ref: str | None) -> str:
    with ours().sessions() as session:
        door = None if ref is None else register.find_door(session, ref)
        views = limits.views_of(session, None if door is None else door.id)
        frame = sheet(session, title="Limits", nav="alerts", heard=[] if door is None else [door])
    many = sum(one.since is not None for one in views)
    return render_template(
        "limits.html",
        sheet=frame,
        whose="the house" if door is None else door.shown,
        lead=f"{many} of its {len(views)} limits {'is' if many == 1 else 'are'} set; the others are as for "
        "every door."
        if many
        else f"None of its {len(views)} limits is set: they are as for every door.",
        rows=rows_of(views),
        command=f"hangtrue alert limits {'--house' if door is None else door.ref} NAME=VALUE",
    )

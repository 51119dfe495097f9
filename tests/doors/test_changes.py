"""A door that is changed gets a new version; the old ones stay, and can't be changed."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from server.doors import register
from server.doors.built import BuiltDoor, Gauge
from server.doors.changes import Change, change_door, set_anew
from server.doors.example import example_text
from server.doors.file import read_door
from server.doors.lookups import tracked_nodes
from server.doors.marks import marks_of
from server.doors.register import DoorHung
from server.doors.versions import as_of
from server.errors import AlreadyThereError, OutOfRangeError, SettingsError
from tests.fakes.clock import HandClock
from tests.refusals import refuses

ASKED = "change door saltmarsh-yard/north"


def added(session: Session, clock: HandClock, name: str = "north") -> DoorHung:
    register.enrol_node(session, "saltmarsh-yard", name, kind="tracked", zone="Europe/London", now=clock())
    built = read_door(example_text(name), where=f"{name}.toml").built
    return register.add_door(session, replace(built, hung=clock() - timedelta(days=100)), now=clock())


def day(clock: HandClock, back: int) -> date:
    return (clock() - timedelta(days=back)).date()


def moved_up(built: BuiltDoor, name: str = "latch-top", by_mm: float = -20.0) -> BuiltDoor:
    gauges = [
        replace(one, station_mm=(one.station_mm[0] + by_mm,)) if one.channel == name else one
        for one in built.gauges
    ]
    return replace(built, gauges=tuple(gauges))


def wider(built: BuiltDoor) -> BuiltDoor:
    return replace(built, opening=replace(built.opening, gap_latch_mm=4.0))


def test_a_door_is_hung_as_its_first_version(session: Session, clock: HandClock) -> None:
    hung = added(session, clock)
    (first,) = hung.versions
    assert (first.because, first.built, first.line) == ("hung", hung.built, None)
    assert first.from_ms == round(hung.hung.timestamp() * 1000)


def test_every_day_has_the_door_as_it_was_then(session: Session, clock: HandClock) -> None:
    hung = added(session, clock)
    again = change_door(
        session, hung, wider(hung.built), Change(because="rehung", on=day(clock, 40)), now=clock()
    )
    last = change_door(
        session, again, moved_up(again.built), Change(because="gauge-moved", on=day(clock, 10)), now=clock()
    )
    assert [one.because for one in last.versions] == ["hung", "rehung", "gauge-moved"]
    assert last.versions[-1].moved == ("latch-top",)
    assert last.built == last.versions[-1].built
    gaps = {
        back: as_of(
            last.versions, round((clock() - timedelta(days=back)).timestamp() * 1000)
        ).built.opening.gap_latch_mm
        for back in (200, 60, 20, 1)
    }
    assert gaps == {200: 3.0, 60: 3.0, 20: 4.0, 1: 4.0}
    assert [mark.kind for mark in marks_of(session, hung.id)] == ["rehung", "gauge-moved"]
    assert register.find_door(session, "north").versions == last.versions


def test_the_turns_at_which_joints_open_are_of_the_version(session: Session, clock: HandClock) -> None:
    hung = added(session, clock)
    softer = replace(hung.built, modulus_gpa=6.0, limits=replace(hung.built.limits, turn_reckoned_mrad={}))
    changed = change_door(session, hung, softer, Change(because="repaired", on=day(clock, 5)), now=clock())
    first, last = (one.built.limits.turn_reckoned_mrad["lock-hinge"] for one in changed.versions)
    assert 0 < first != last > 0


def test_a_change_put_right_on_its_own_day_leaves_both_rows(session: Session, clock: HandClock) -> None:
    hung = added(session, clock)
    on = Change(because="rehung", on=day(clock, 5))
    wrong = change_door(session, hung, wider(hung.built), on, now=clock())
    right = change_door(session, wrong, hung.built, on, now=clock())
    assert [one.because for one in right.versions] == ["hung", "rehung"]
    assert right.built.opening.gap_latch_mm == 3.0
    assert session.execute(text("SELECT count(*) FROM door_version")).scalar() == 3


@pytest.mark.parametrize("change", ["UPDATE door_version SET because = 'other'", "DELETE FROM door_version"])
def test_no_version_is_overwritten(session: Session, clock: HandClock, change: str) -> None:
    added(session, clock)
    session.commit()
    with pytest.raises(DBAPIError, match="inserted to alone"):
        session.execute(text(change))
    session.rollback()


def test_a_replaced_gauge_has_its_own_channel_and_the_old_one_stays(
    session: Session, clock: HandClock
) -> None:
    hung = added(session, clock)
    gauges = tuple(
        replace(one, channel="sill-new") if one.channel == "sill-latch" else one for one in hung.built.gauges
    )
    changed = change_door(
        session,
        hung,
        replace(hung.built, gauges=gauges),
        Change(because="gauge-moved", on=day(clock, 3)),
        now=clock(),
    )
    assert "sill-new" in changed.channels
    assert "sill-latch" not in changed.channels
    assert changed.past_channels["sill-latch"].id == hung.channels["sill-latch"].id
    back = change_door(
        session, changed, hung.built, Change(because="gauge-moved", on=day(clock, 2)), now=clock()
    )
    assert back.channels["sill-latch"].id == hung.channels["sill-latch"].id
    assert set(back.past_channels) == {"sill-new"}
    assert back.versions[-1].moved == ("sill-latch",)


def test_set_anew_names_new_and_moved_gauges() -> None:
    built = read_door(example_text("north"), where="north.toml").built
    new = Gauge(channel="sill-hinge", kind="sill", unit="/", station_mm=(60.0,))
    after = moved_up(replace(built, gauges=(*built.gauges, new)))
    assert set_anew(built, after) == ("latch-top", "sill-hinge")
    assert set_anew(after, built) == ("latch-top",)


def test_what_cannot_be_a_change_is_refused(session: Session, clock: HandClock) -> None:
    hung = added(session, clock)
    south = added(session, clock, "south")
    built, on = hung.built, day(clock, 5)
    rehung, moved = (Change(because=because, on=on) for because in ("rehung", "gauge-moved"))
    cases: list[tuple[type[Exception], BuiltDoor, Change, str, str]] = [
        (SettingsError, built, Change(because="sold", on=on), "one of rehung, repaired", "'sold'"),
        (SettingsError, south.built, rehung, "the file of this door", "south"),
        (SettingsError, replace(built, hung=clock()), rehung, "the day of the change is --on", ""),
        (SettingsError, built, moved, "--gauge NAME", "as they were"),
        (SettingsError, wider(moved_up(built)), moved, "same leaf and opening", "more than gauges"),
        (SettingsError, built, replace(moved, gauges=("ear",)), "gauges of the door (", "'ear'"),
        (OutOfRangeError, built, replace(rehung, on=day(clock, -3)), "a day that has come", ""),
        (OutOfRangeError, built, replace(rehung, on=day(clock, 100)), "after it was hung", ""),
    ]
    for kind, door, change, needed, came in cases:
        with refuses(kind, asked=ASKED, needed=needed, came=came):  # type: ignore[arg-type]  # refusals all
            change_door(session, hung, door, change, now=clock())
    again = change_door(session, hung, built, rehung, now=clock())
    with refuses(OutOfRangeError, asked=ASKED, needed="after it was last changed (rehung)", came=""):
        change_door(session, again, built, replace(rehung, on=day(clock, 6)), now=clock())
    other_unit = replace(built, gauges=(replace(built.gauges[0], unit="m"), *built.gauges[1:]))
    with refuses(SettingsError, asked=ASKED, needed="the unit that air-temp sends", came="m"):
        change_door(session, again, other_unit, rehung, now=clock())


def replacing(built: BuiltDoor, old: str, new: str, *, by_mm: float = 0.0) -> BuiltDoor:
    gauges = [
        replace(one, channel=new, replaces=old, station_mm=tuple(at + by_mm for at in one.station_mm))
        if one.channel == old
        else one
        for one in built.gauges
    ]
    return replace(built, gauges=tuple(gauges))


def test_a_replaced_gauge_is_asked_for_while_both_are_to_read(session: Session, clock: HandClock) -> None:
    hung = added(session, clock)
    change_door(
        session,
        hung,
        replacing(hung.built, "sill-latch", "sill-new", by_mm=4.0),
        Change(because="gauge-moved", on=day(clock, 0)),
        now=clock(),
    )
    said = marks_of(session, hung.id)[-1].text
    assert said == "Set anew: sill-new. What had stayed before is carried on. sill-new replaces sill-latch."

    def asked_for(days: int) -> set[str]:
        (node,) = tracked_nodes(session, now=clock() + timedelta(days=days))
        return {name for name, _, _ in node.channels}

    assert {"sill-latch", "sill-new"} <= asked_for(0)
    assert {"sill-latch", "sill-new"} <= asked_for(13)
    assert "sill-latch" not in asked_for(15)
    assert "sill-new" in asked_for(15)


def test_a_gauge_replaces_one_of_its_own_place(session: Session, clock: HandClock) -> None:
    hung = added(session, clock)
    on = Change(because="gauge-moved", on=day(clock, 5))
    with refuses(
        SettingsError, asked=ASKED, needed="within 5 mm; else leave out", came="984.9 mm for 990 mm"
    ):
        change_door(session, hung, replacing(hung.built, "sill-latch", "new", by_mm=-5.1), on, now=clock())
    stranger = replace(hung.built.gauges[0], channel="new", replaces="sill-old")
    with refuses(
        SettingsError, asked=ASKED, needed="a gauge of the door before", came="new replaces 'sill-old'"
    ):
        change_door(
            session, hung, replace(hung.built, gauges=(*hung.built.gauges, stranger)), on, now=clock()
        )


def test_what_the_meter_read_may_be_put_in_with_a_gauge_that_was_moved(
    session: Session, clock: HandClock
) -> None:
    hung = added(session, clock)
    noted = replace(moved_up(hung.built), moisture_at_hanging_pct=12.5, moisture_at_hanging_sd_pct=1.0)
    change = Change(because="gauge-moved", on=day(clock, 5))
    changed = change_door(session, hung, noted, change, now=clock())
    assert [one.built.moisture_at_hanging_pct for one in changed.versions] == [None, 12.5]


def test_a_channel_of_another_door_is_not_taken(session: Session, clock: HandClock) -> None:
    hung = added(session, clock)
    second = replace(hung.built, name="second", gauges=(replace(hung.built.gauges[0], channel="two"),))
    register.add_door(session, second, now=clock())
    taking = replace(hung.built, gauges=(*hung.built.gauges, replace(hung.built.gauges[0], channel="two")))
    with refuses(AlreadyThereError, asked="enrol channel", needed="a name of its own", came="another door"):
        change_door(session, hung, taking, Change(because="repaired", on=day(clock, 5)), now=clock())

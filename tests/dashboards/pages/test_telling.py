"""What the pages of a door say."""

from dataclasses import replace
from datetime import timedelta

import pytest

from dashboards.pages import telling, words
from dashboards.pages.facts import DoorFacts
from server.doors.versions import Version
from server.inspection.results import SeriesResult
from tests.dashboards import yard

NB = words.NBSP


def refused(other: dict[str, object], *, years: float = yard.YEARS, reason: str | None = None) -> DoorFacts:
    made = yard.result("droop", years=years, status="refused", facts=other)
    state = "settling" if years < 1 else "seasonal"
    return yard.told(results={"droop": replace(made, reason=reason)}, state=state, years=years)


@pytest.mark.parametrize(("rate", "said"), [(0.06, "over its limit of"), (0.02, "its limit is")])
def test_an_open_joint_comes_before_the_leaf(rate: float, said: str) -> None:
    turn = yard.result("turn:lock-hinge", start=0.03, rate=rate)
    told = yard.told(results={"droop": yard.result("droop"), "turn:lock-hinge": turn}, state="opening")
    first = telling.answer(told)
    assert first.startswith("Lock rail, hinge side, turn: 0.")
    assert f"mrad stays, {said} 0.17{NB}mrad. {telling.lead(told)}" in first
    assert telling.answer(yard.told()) == telling.lead(yard.told())


def test_the_door_page_answers_first() -> None:
    told = yard.told()
    assert told.main is not None
    assert told.main.split is not None
    shown = told.main.split
    assert telling.lead(told) == words.lead(shown, swing_mm=0.5)
    assert telling.second(told) == (
        f"What stays grows by 0.06{NB}mm a year, between 0.03 and 0.09. "
        f"What stays may be anything from 0.75 to 1.05{NB}mm. "
        f"One deep mortise and tenon, three rails; sapele; hung 24{NB}November{NB}2021."
    )


def test_no_growth_is_said_with_its_interval() -> None:
    assert telling.second(yard.told("south")).startswith(
        f"What stays has not grown by anything we can tell: between 0.02{NB}mm a year less and 0.04 more."
    )


def test_provisional_is_said() -> None:
    told = yard.told(results={"droop": yard.result("droop", status="provisional")})
    assert telling.second(told).startswith(f"So far: what stays grows by 0.06{NB}mm a year")


@pytest.mark.parametrize(
    ("other", "reason", "text"),
    [
        ({"collinearity": 5.0}, None, "One more dry season parts them."),
        (
            {"collinearity": 1.0, "half_width": 0.14, "help": "drift"},
            None,
            f"anywhere within 0.14{NB}mm a year or more",
        ),
        ({"told": "not_told"}, None, "Not said: these gauges can’t tell it apart from other movements."),
        ({}, "the air at the door is not known", "Not known yet: the air at the door is not known."),
    ],
)
def test_a_refusal_says_why(other: dict[str, object], reason: str | None, text: str) -> None:
    told = refused(other, reason=reason)
    assert text in telling.second(told)
    assert "stays;" not in telling.lead(told)


def test_first_weeks_give_the_month_of_the_first_word() -> None:
    told = refused({}, years=0.27)
    now = told.main.number("now") if told.main else None
    assert now is not None
    assert telling.lead(told) == f"Hung 14{NB}weeks. {words.where(round(now, 2))}."
    assert f"First word about September{NB}2027." in telling.second(told)
    assert telling.row(told)[1] == f"First word about what stays: September{NB}2027"
    assert told.leaf is None
    assert told.worst is None


def test_without_a_line_nothing_is_counted() -> None:
    told = refused({"line": "none"}, years=0.02)
    assert telling.lead(told) == "No hung line is drawn yet."
    assert "nothing can be counted from it before" in " ".join(telling.notes(told))
    assert telling.pencilled(told) is None


def test_a_first_line_is_called_so() -> None:
    told = refused({"line": "first"}, years=0.05)
    assert "its first line" in telling.lead(told)
    assert any("in pencil" in note for note in telling.notes(told))


def test_a_silent_door_says_what_was_last_known() -> None:
    told = yard.told(state="not_heard", heard=yard.NOW - timedelta(days=26))
    said = telling.lead(told)
    assert said.startswith(f"Nothing heard for 26{NB}days. On 29{NB}October{NB}2026 it hung ")
    assert "nothing here guesses" in telling.second(told)
    assert telling.row(told) == (f"Nothing heard since 29{NB}October{NB}2026", "Taking a set when last heard")


def test_a_door_never_heard() -> None:
    told = yard.told(results={}, heard=None, state="settling")
    assert telling.lead(told) == "Nothing has been heard of it yet."
    assert telling.row(told) == ("Nothing has been heard of it yet", "")


def test_one_gauge_names_what_it_cannot_tell() -> None:
    told = yard.told(results={"gauge:corner": yard.result("gauge:corner")})
    assert telling.lead(told).startswith("At the gauge, the leaf hangs")
    assert any("can’t tell them apart" in note for note in telling.notes(told))


def test_counted_from_first_heard() -> None:
    told = yard.told(results={"droop": yard.result("droop", facts={"since_heard": True, "first_day": 20000})})
    assert (
        telling.notes(told)[0]
        == f"Counted from 4{NB}October{NB}2024, when it was first heard, not from its hanging."
    )


def bar(other: dict[str, object], *, rate: float = 0.06) -> telling.BarWords:
    made: SeriesResult = yard.result("droop", rate=rate, facts=other)
    leaf = yard.told(results={"droop": made}).leaf
    assert leaf is not None
    return telling.bar_words(leaf, today=yard.TODAY)


@pytest.mark.parametrize(
    ("other", "rate", "date"),
    [
        ({}, 0.06, "No date: nothing has begun to run away."),
        ({}, 0.01, "No date: no growth we can tell apart from none."),
        ({"stays": 2.3}, 0.06, "Passed: what is counted here has used up its limit."),
    ],
)
def test_a_bar_has_a_date_only_for_cause(other: dict[str, object], rate: float, date: str) -> None:
    assert bar(other, rate=rate).date == date


def test_a_bar_under_an_alert_is_not_soothed() -> None:
    alerts = (yard.alert("joint_opening", about="north/lock-hinge"), yard.alert("leaf_over", id=2))
    told = yard.told(standing=alerts)
    assert told.leaf is not None
    assert told.worst is not None
    for spent in (told.leaf, told.worst):
        assert telling.bar_words(spent, today=yard.TODAY).date.startswith(
            "No date yet: an alert stands on it"
        )


def test_a_bars_figures_add_up() -> None:
    rows = {name: figure for name, figure, _ in bar({"stays": 0.894, "worst_season": 0.551}).rows}
    assert rows == {
        "stays": f"0.89{NB}mm",
        "stays, 19 times in 20": f"0.75 to 1.05{NB}mm",
        "worst of a season, from the droop": f"0.55{NB}mm",
        "left": f"0.99 of 2.43{NB}mm",
    }
    early = bar({"years_heard": 2.0})
    assert early.rows[2][0] == "worst of a season so far, from the droop"


def test_a_joint_past_its_limit_by_season_alone_is_said_to_close_again() -> None:
    opening = yard.result("opening:top-hinge", rate=0.0, facts={"stays": 0.05, "swing_year": 0.37})
    worst = yard.told(results={"opening:top-hinge": opening}).worst
    assert worst is not None
    assert telling.bar_words(worst, today=yard.TODAY).date.startswith(
        "It opens past its limit in the dry and closes again."
    )


def test_joint_rows_print_dashes_for_what_is_not_told() -> None:
    turn = yard.result("turn:top-hinge", status="refused", years=0.5)
    one = yard.told(results={"turn:top-hinge": turn}, state="settling").joints[0]
    row = telling.joint_row(one)
    assert (row.gap, row.stays, row.turn, row.swing, row.growth) == ("—", "—", "—", "—", "—")
    assert row.state == "settling"
    caption = telling.joints_caption([one], yard.told())
    assert "bottom rail, hinge side; bottom rail, latch side." in caption


@pytest.mark.parametrize("state", list(words.STATES))
def test_every_state_has_a_row_without_bad_words(state: str) -> None:
    for told in (yard.told(state=state), yard.told("south", state=state), yard.told(results={}, state=state)):
        text = " ".join([telling.lead(told), telling.second(told), *telling.row(told), *telling.notes(told)])
        assert not any(bad in text for bad in ("nan", "None", "inf ", "-0.00")), text


def test_a_joint_that_grows_and_may_be_past_its_limit_is_said_so() -> None:
    facts: dict[str, object] = {"stays": 0.16, "stays_low": 0.07, "stays_high": 0.24}
    facts |= {"limit": 0.17, "swing_year": 0.02}
    turn = yard.result("turn:lock-hinge", rate=0.06, facts=facts)
    worst = yard.told(results={"turn:lock-hinge": turn}).worst
    assert worst is not None
    assert telling.bar_words(worst, today=yard.TODAY).date.startswith("It may be past its limit already")


def test_a_season_too_small_to_print_is_not_printed_as_none() -> None:
    rows = {name: figure for name, figure, _ in bar({"worst_season": 0.001}).rows}
    assert rows["worst of a season, from the droop"] == f"under 0.01{NB}mm"


def test_an_interval_across_the_line_has_two_ways_and_no_sign() -> None:
    droop = yard.result("droop", rate=0.01, facts={"stays_low": -0.03, "stays_high": 0.31})
    told = yard.told(results={"droop": droop}, state="seasonal")
    assert f"from 0.03{NB}mm raised to 0.31{NB}mm dropped." in telling.second(told)
    assert (
        telling.row(told)[1]
        == f"What stays is from 0.03{NB}mm raised to 0.31{NB}mm dropped. No growth we can tell"
    )
    turn = yard.result("turn:lock-hinge", facts={"stays_low": -0.01, "stays_high": 0.05})
    worst = yard.told(results={"turn:lock-hinge": turn}).worst
    assert worst is not None
    rows = {name: figure for name, figure, _ in telling.bar_words(worst, today=yard.TODAY).rows}
    assert rows["stays, 19 times in 20"] == f"0.01{NB}mrad closed to 0.05{NB}mrad open"


def test_a_door_past_its_year_is_not_in_its_first_and_is_promised_no_past_day() -> None:
    wide = yard.result("droop", status="refused", facts={"half_width": 0.2, "collinearity": 1.0})
    told = yard.told(results={"droop": wide}, state="settling")
    assert told.state_word == "Not known yet"
    said = " ".join([telling.lead(told), telling.second(told), *telling.row(told)])
    assert "First word" not in said
    assert "Hung 5" not in telling.lead(told)
    few = yard.result("droop", status="refused", facts={"days_seen": 150})
    scarce = yard.told(results={"droop": few}, state="settling")
    assert scarce.state_word == "First year"
    assert "readings on half of its days" in telling.second(scarce)


def test_readings_entered_by_hand_are_not_silence() -> None:
    alone = yard.told(heard=None)
    assert not telling.lead(alone).startswith("Nothing")
    assert f"entered by hand or from a file, up to 24{NB}November{NB}2026." in " ".join(telling.notes(alone))
    quiet = yard.told(state="not_heard", heard=yard.NOW - timedelta(days=26))
    later = {
        key: replace(one, facts=one.facts | {"last_day": yard.TODAY})
        for key, one in yard.north_results().items()
    }
    by_hand = replace(quiet, main=yard.told(results=later).main)
    assert telling.lead(by_hand).startswith(
        f"Nothing heard for 26{NB}days from its box; readings entered by hand go to 24{NB}November{NB}2026."
    )


def test_a_joint_whose_rate_is_not_told_says_so() -> None:
    facts: dict[str, object] = {"half_width": 0.3, "collinearity": 1.0}
    turn = yard.result("turn:top-hinge", status="refused", facts=facts)
    one = yard.told(results={"turn:top-hinge": turn}).joints[0]
    assert telling.joint_row(one).growth == "Not known yet"


def test_a_gauge_that_replaced_another_is_spoken_of() -> None:
    told = yard.told()
    built = told.door.built
    gauges = tuple(
        replace(one, channel="sill-new", replaces="sill-latch") if one.channel == "sill-latch" else one
        for one in built.gauges
    )
    first = Version(from_ms=0, because="hung", built=built)
    later = replace(first, from_ms=86_400_000, because="gauge-moved", built=replace(built, gauges=gauges))
    door = replace(told.door, versions=(first, later))
    assert any("sill-new replaces sill-latch" in one for one in telling.notes(replace(told, door=door)))
    assert not any("replaces" in one for one in telling.notes(told))


def test_a_droop_that_is_not_told_says_so_in_place_of_a_number() -> None:
    facts: dict[str, object] = {"told": "not_told", "now": None, "stays": None, "line": "hung"}
    told = refused(facts, reason="nothing tells how high it hangs (sd 0.61 mm, at most 0.12 is followed)")
    assert telling.lead(told) == telling.UNTOLD
    assert telling.second(told).startswith("Not said: nothing tells how high it hangs.")
    assert telling.row(told) == (telling.UNTOLD.rstrip("."), "Its page says what would tell it")
    assert telling.nothing_drawn(told) == telling.UNTOLD_DRAWN
    assert telling.pencilled(told) is None
    undrawn = refused(facts | {"line": "none", "first_day": None, "last_day": None, "days_seen": 0})
    assert telling.lead(undrawn) == telling.NOT_DRAWN
    assert telling.nothing_drawn(undrawn) == telling.NOTHING_DRAWN

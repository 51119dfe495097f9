"""Who is told what on which night: the published cases, and what they leave open."""

from dataclasses import replace

import pytest

from server.alerts.delivery.composing import concerns, plan
from server.alerts.delivery.facts import AlertFacts, Line, Night, Owed, Post, Recent
from tests.alerts.cases import Case
from tests.alerts.delivery.cases import told_nights
from tests.alerts.delivery.ledger_of_cases import played

POST = Post(id=1, channel="mail")


def line(kind: str) -> Line:
    return Line(kind=kind, alert_id=1, step="node_silent", weight="soon", rank=1, door_id=1)


@pytest.mark.parametrize("case", told_nights(), ids=[str(case["name"]) for case in told_nights()])
def test_published_nights_from_findings_to_messages(case: Case) -> None:
    assert played(case) == case["expect"]["messages"], case["why"]


def test_there_are_nights_to_play() -> None:
    assert len(told_nights()) > 90


def test_an_alert_of_a_channel_never_goes_through_itself() -> None:
    alert = AlertFacts(
        id=1, topic="channel", about="mail", step="channel_failing", weight="today", persons=frozenset({7})
    )
    assert not concerns(Post(id=1, channel="mail", person=7), alert)
    assert concerns(Post(id=2, channel="phone", person=7, house=False), alert)
    assert concerns(Post(id=3, channel="phone", person=8, house=True), alert)
    assert not concerns(Post(id=4, channel="phone", person=8, house=False), alert)


def test_an_hours_look_says_only_what_was_raised_or_rose() -> None:
    alert = AlertFacts(
        id=1, topic="disk", about="yard", step="disk_full", weight="today", ended="2027-03-02", how="gone"
    )
    owed = [Owed(event_id=2, alert_id=1, slot="2027-03-02T14", kind="ended", step="disk_full")]
    line = Line(kind="raised", alert_id=1, step="disk_full", weight="today", rank=2, door_id=None)
    recent = [Recent(slot="2027-03-02T13", kind="night", state="sent", lines=(line,))]
    post, night = Post(id=1, channel="mail"), Night(slot="2027-03-02T14")
    made = plan(post, owed, alerts={1: alert}, recent=recent, night=night)
    assert made.draft is None
    assert made.fates == {2: "monday"}
    raised_again = AlertFacts(id=2, topic="disk", about="yard", step="disk_low", weight="soon")
    owed = [Owed(event_id=3, alert_id=2, slot="2027-03-02T14", kind="raised", step="disk_low")]
    made = plan(post, owed, alerts={2: raised_again}, recent=recent, night=night)
    assert made.draft is not None
    assert [one.kind for one in made.draft.lines] == ["raised"]


def test_who_was_told_ended_is_not_told_of_a_quick_return_and_end() -> None:
    """Back and over again before Monday: the person knows that it is over, and nothing is said."""
    alert = AlertFacts(
        id=1,
        topic="heard",
        about="north",
        step="node_silent",
        weight="soon",
        ended="2027-03-10",
        how="gone",
        backs=("2027-03-09",),
    )
    recent = [
        Recent(slot="2027-03-02", kind="night", state="sent", lines=(line("raised"),)),
        Recent(slot="2027-03-08", kind="week", state="sent", lines=(line("ended"),)),
    ]
    owed = [
        Owed(event_id=4, alert_id=1, slot="2027-03-09", kind="back", step="node_silent"),
        Owed(event_id=5, alert_id=1, slot="2027-03-10", kind="ended", step="node_silent"),
    ]
    made = plan(POST, owed, alerts={1: alert}, recent=recent, night=Night(slot="2027-03-15"))
    assert made.draft is None
    assert set(made.fates.values()) == {"dropped"}


def test_a_contradiction_goes_to_those_told_alone() -> None:
    alert = AlertFacts(
        id=1, topic="joint", about="north/lock-hinge", step="joint_open", weight="today", ended="2027-03-03"
    )
    alert = replace(alert, how="contradicted")
    owed = [
        Owed(event_id=1, alert_id=1, slot="2027-03-02", kind="raised", step="joint_open"),
        Owed(event_id=2, alert_id=1, slot="2027-03-03", kind="ended", step="joint_open"),
    ]
    untold = plan(POST, owed, alerts={1: alert}, recent=[], night=Night(slot="2027-03-03"))
    assert untold.draft is None
    recent = [Recent(slot="2027-03-02", kind="night", state="sent", lines=(line("raised"),))]
    told = plan(POST, owed[1:], alerts={1: alert}, recent=recent, night=Night(slot="2027-03-03"))
    assert told.draft is not None
    assert [one.kind for one in told.draft.lines] == ["contradicted"]


@pytest.mark.parametrize(
    ("seen", "left_until", "night", "is_said"),
    [
        (None, None, "2027-03-05", True),
        ("2027-03-03", None, "2027-03-05", False),
        (None, "2027-03-06", "2027-03-05", False),
        ("2027-03-03", "2027-03-06", "2027-03-06", True),  # its day has come: it counts as unseen
        ("2027-03-06", "2027-03-05", "2027-03-06", False),  # seen since
        (None, "2027-03-05", "2027-03-06", True),  # its day was missed
    ],
)
def test_what_is_seen_or_left_is_quiet(
    seen: str | None, left_until: str | None, night: str, is_said: bool
) -> None:
    alert = AlertFacts(id=1, topic="joint", about="north/lock-hinge", step="joint_open", weight="today")
    alert = replace(alert, seen=seen, left_until=left_until)
    recent = [Recent(slot="2027-03-02", kind="night", state="sent", lines=(line("raised"),))]
    made = plan(POST, [], alerts={1: alert}, recent=recent, night=Night(slot=night))
    assert (made.draft is not None) is is_said


@pytest.mark.parametrize(("is_frozen", "covered"), [(True, False), (False, True)])
def test_what_is_frozen_or_covered_is_not_repeated(is_frozen: bool, covered: bool) -> None:
    alert = AlertFacts(id=1, topic="joint", about="north/lock-hinge", step="joint_open", weight="today")
    alert = replace(alert, is_frozen=is_frozen, covered=covered)
    recent = [Recent(slot="2027-03-02", kind="night", state="sent", lines=(line("raised"),))]
    made = plan(POST, [], alerts={1: alert}, recent=recent, night=Night(slot="2027-03-20"))
    assert made.draft is None


def test_a_return_is_not_a_reason_to_repeat_at_once() -> None:
    alert = AlertFacts(id=1, topic="heard", about="north", step="node_silent", weight="soon")
    recent = [Recent(slot="2027-03-02", kind="night", state="sent", lines=(line("raised"),))]
    for back, said in ((("2027-03-15",), False), ((), True)):
        alerts = {1: replace(alert, backs=back)}
        made = plan(POST, [], alerts=alerts, recent=recent, night=Night(slot="2027-03-16"))
        assert (made.draft is not None) is said


def test_what_comes_back_heavier_is_raised_for_whom_it_was_too_light() -> None:
    alert = AlertFacts(
        id=1,
        topic="joint",
        about="north/lock-hinge",
        step="joint_opening",
        weight="soon",
        backs=("2027-03-04",),
    )
    owed = [Owed(event_id=3, alert_id=1, slot="2027-03-04", kind="back", step="joint_opening")]
    post, night = Post(id=1, channel="mail", least="soon"), Night(slot="2027-03-04")
    made = plan(post, owed, alerts={1: alert}, recent=[], night=night)
    assert made.draft is not None
    assert [one.kind for one in made.draft.lines] == ["raised"]

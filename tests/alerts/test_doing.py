"""What to do on each step: all steps have it, and the commands it names are there."""

import re

import click

from server.alerts.doing import TO_DO
from server.alerts.rules import STEPS
from server.cli.main import hangtrue
from server.cli.notices import notice

COMMAND = re.compile(r"`hangtrue ([a-z ]+)`")


def test_every_step_has_something_to_do() -> None:
    assert set(TO_DO) == set(STEPS)


def test_each_command_named_is_there() -> None:
    named = {words for text in TO_DO.values() for words in COMMAND.findall(text)}
    assert len(named) >= 6
    assert [words for words in named if not is_there(words)] == []


def is_there(words: str) -> bool:
    found: click.Command | None = hangtrue
    for word in words.split():
        if not isinstance(found, click.Group):
            return False
        found = (
            notice
            if found is hangtrue and word == "notice"
            else found.get_command(click.Context(found), word)
        )
    return found is not None


def test_what_hides_a_danger_keeps_people_clear() -> None:
    for step in ("joint_open", "leaf_over", "slam"):
        assert "eep people clear" in TO_DO[step]
    assert "Prop the leaf" in TO_DO["slam"]

"""What is asked of a simulated door is the same as a command's words, a door's file and a simulation."""

import click
import pytest

from sensors.node import simulate
from sensors.node.main import cli
from sensors.node.simulate import SimulateOptions
from server.doors.built import shoulder_pairs, spacing_mm
from tests.bench.asked import Asked, fleet, readings_of

ASKED = [
    Asked(name="plain"),
    Asked(name="opens", like="south", seed=4, years=2.5, opening=("top-hinge", 400.5, 0.1), vary=True),
    Asked(name="demo-s", opening=None, kit="every", use=True, ideal=True),
    Asked(name="near", kit="A", pair_mm=90.0, frame="leans"),
]


@pytest.mark.parametrize("asked", ASKED, ids=lambda one: one.name)
def test_the_command_s_words_make_the_same_door(asked: Asked) -> None:
    command = cli.get_command(click.Context(cli), "simulate")
    assert command is not None
    params = command.make_context("simulate", asked.arguments).params
    options = SimulateOptions(**params)
    assert simulate._door(options, simulate._start_ms(options)) == asked.simulated


@pytest.mark.parametrize("asked", ASKED, ids=lambda one: one.name)
def test_the_door_as_built_has_the_gauges_that_are_simulated(asked: Asked) -> None:
    """Use is counted by the node; the door's file knows no gauge of that kind."""
    built = asked.built
    sent = {channel.name for channel in asked.simulated.channels} - {"openings", "slam"}
    assert {gauge.channel for gauge in built.gauges} == sent
    assert (built.name, built.node, built.opening.kind) == (asked.name, asked.name, asked.frame)
    spacings = {joint: spacing_mm(pair) for joint, pair in shoulder_pairs(built).items()}
    own = {"lock-hinge": 170.0, "lock-latch": 170.0, "top-hinge": 90.0}
    assert spacings == (own if asked.pair_mm is None else dict.fromkeys(own, asked.pair_mm))


def test_a_value_is_the_double_that_its_text_on_the_wire_means() -> None:
    door = Asked(name="short", years=0.01).simulated
    readings, first = readings_of(door), next(door.instants())
    for channel, whole in zip(door.channels, first.values, strict=True):
        assert readings.values[channel.name][0] == float(f"{whole}e-{channel.decimals}")
    assert len(readings.ms) == door.count


def test_a_fleet_s_doors_differ_and_open_where_asked() -> None:
    still, opening = fleet(40, years=6.0), fleet(20, years=6.0, opens="lock-hinge", first_seed=100)
    assert {asked.opening for asked in still} == {"none"}
    assert {(asked.like, asked.seed) for asked in still} == {
        (("north", "south")[seed % 2], seed) for seed in range(1, 41)
    }
    for asked in opening:
        assert isinstance(asked.opening, tuple)
        joint, day, size = asked.opening
        assert (joint, 365 <= day < 731, 0.05 <= size <= 0.2) == ("lock-hinge", True, True)
    assert len({asked.opening for asked in opening}) == 20
    assert fleet(20, years=6.0, opens="lock-hinge", first_seed=100) == opening

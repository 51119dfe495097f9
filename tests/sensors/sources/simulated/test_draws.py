"""Streams of random numbers by name."""

from sensors.sources.simulated.draws import stream


def test_a_name_gives_the_same_numbers_whatever_others_draw() -> None:
    first = [stream(1, "north", "noise").random() for _ in range(2)]
    other = stream(1, "north", "shut")
    other.random()
    assert first[0] == first[1] == stream(1, "north", "noise").random()


def test_seed_door_and_purpose_each_change_the_numbers() -> None:
    names = [(1, "north", "noise"), (2, "north", "noise"), (1, "south", "noise"), (1, "north", "shut")]
    assert len({stream(seed, *rest).random() for seed, *rest in names}) == 4

"""The refusal of the simulated door, in the three parts that every refusal here has."""


class SimulationError(ValueError):
    """A door, a fault or a weather file that cannot be simulated. `str(error)` is one sentence."""

    def __init__(self, asked: str, needed: str, came: str) -> None:
        super().__init__(asked, needed, came)
        self.asked, self.needed, self.came = asked, needed, came

    def __str__(self) -> str:
        return f"{self.asked}: needs {self.needed}, got {self.came}"


def shown(came: object) -> str:
    """What came from outside, fit for a sentence: its repr, at most 40 characters."""
    text = repr(came)
    return text if len(text) <= 40 else text[:37] + "..."

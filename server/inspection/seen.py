"""All that a look has at hand when it says what it found."""

from collections.abc import Mapping
from dataclasses import dataclass

from server.inspection.line import Line
from server.inspection.moisture import Moisture
from server.inspection.series import DaySeries
from server.inspection.values import DoorInputs, SeriesLook


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A door as one look has it: days, line, moisture, series, and what is said of each series."""

    inputs: DoorInputs
    line: Line | None = None
    moisture: Moisture | None = None
    made: tuple[DaySeries, ...] = ()
    looks: Mapping[str, SeriesLook]

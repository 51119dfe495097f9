"""What the API takes and gives, as models; its description is made from these same models."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

State = Literal["open", "opening", "taking_a_set", "not_heard", "seasonal", "settling", "true"]
Word = Literal[
    "not_to_be_compared", "no_difference_that_matters", "b_turns_more", "a_turns_more", "cant_tell_yet"
]
Number = Annotated[float, Field(allow_inf_nan=False)]


class Model(BaseModel):
    """A closed model: nothing unknown, nothing coerced, no NaN."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class SeriesOut(Model):
    """One movement: what stays and what comes back, from the hung line, and the rate with its interval."""

    key: str = Field(description="droop, rack, turn:lock-hinge, opening:lock-hinge, gap:… or gauge:…")
    unit: str = Field(description="mm or mrad; rates are this unit a year")
    status: Literal["refused", "provisional", "served"]
    why_refused: Literal["year", "season", "wide", "kit", "other"] | None
    reason: str | None = Field(description="why there is no rate, in words; null where there is one")
    rate_per_year: Number | None
    rate_low_per_year: Number | None
    rate_high_per_year: Number | None
    now: Number | None
    stays: Number | None
    stays_low: Number | None
    stays_high: Number | None
    comes_back: Number | None
    swing_year: Number | None
    limit: Number | None
    line: str | None = Field(description="none, first (provisional) or hung")


class DoorOut(Model):
    """A door and what is said of it."""

    ref: str
    site: str
    name: str
    shown: str
    zone: str
    hung: datetime
    last_heard: datetime | None
    state: State
    state_word: str
    state_since: datetime | None
    say: str
    quiet: str


class DoorWholeOut(DoorOut):
    """A door with its sentences, its series and its channels."""

    lead: str
    second: str
    joint: str
    species: str
    width_mm: Number
    height_mm: Number
    thickness_mm: Number
    series: list[SeriesOut]
    channels: list["ChannelOut"]


class ChannelOut(Model):
    """A gauge's stream of readings."""

    gauge: str
    channel: str = Field(description="its name on the wire, what /api/v1/readings asks for")
    unit: str = Field(description="the unit that is sent; calibrated values are mm, degC or %")
    kind: str


class DoorsOut(Model):
    """Every door, most pressing first."""

    doors: list[DoorOut]


class ReadingsOut(Model):
    """Readings of a channel, oldest first: three columns of one length."""

    channel: str
    unit: str = Field(description="of `raw`")
    start_ms: int
    stop_ms: int = Field(description="not included")
    t_ms: list[int]
    value: list[Number | None] = Field(description="calibrated; null where no calibration holds")
    raw: list[Number | None]
    next: int | None = Field(default=None, description="`from` of the next call, where there is more")


class BoundsOut(Model):
    """A difference a year, b less a: by tonight's readings alone, and by bounds for every night together."""

    word: Word
    reason: str = Field(description="why it is not to be compared; empty where it is")
    difference: Number | None
    tonight_low: Number | None
    tonight_high: Number | None
    low: Number | None
    high: Number | None
    years: Number = Field(description="from the later hung line to the last day that both have")
    could_tell_years: Number | None = Field(description="from the later hung line, if it goes on so")


class RateOut(Model):
    """A rate with its bounds, 19 times in 20."""

    rate: Number
    low: Number
    high: Number


class BesideOut(Model):
    """What is told with each door's openings in the sum beside the years, by bounds for every night."""

    ratio: Number = Field(
        description="error of the difference with them over that without; above 4 none is told"
    )
    difference: RateOut | None = Field(description="a year, b less a, less what goes with openings")
    a: RateOut | None = Field(description="what 10,000 openings move a by")
    b: RateOut | None


class CompareOut(Model):
    """Two doors compared: the word that stands, and what is seen so far."""

    a: str
    b: str
    compared: str = Field(description="a joint's name, or droop")
    joints: list[str]
    unit: str = Field(description="of the differences, which are this a year")
    moments_n_m: list[Number] | None = Field(description="what each joint carries")
    band: Number | None
    is_declared: bool = Field(description="whether a sealed trial of these two doors gives the word")
    trial: str | None = Field(description="its seal")
    word: Word
    head: str
    say: str
    more: str
    use: str
    openings_a_year: list[Number | None] = Field(description="of a and of b; null where not counted")
    rates_per_10000: list[RateOut | None] = Field(description="each door’s own rate for 10,000 openings")
    per_10000: BoundsOut | None = Field(description="the difference for each 10,000 openings")
    beside_openings: BesideOut | None
    seen_so_far: BoundsOut
    droop: BoundsOut | None


class ProblemOut(Model):
    """A refusal (RFC 9457): what was asked, what is needed, what came, and a code that the log has too."""

    type: str
    title: str
    status: int
    detail: str
    asked: str
    needed: str
    came: str
    code: str


class HealthOut(Model):
    """Whether the service is well."""

    status: Literal["well", "not well"]
    reason: str | None = None

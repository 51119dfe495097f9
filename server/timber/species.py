"""Species: which figures belong to a wood, and who says so: the user, a table, or a formula."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from functools import cache
from typing import Literal

from server.errors import OutOfRangeError
from server.timber.published import rows
from server.timber.refusals import MissingPropertyError, UnknownSpeciesError

Origin = Literal["default", "user", "derived"]

# Least and greatest that can be: c fraction per 1 % MC, s %, density kg/m3, d20 mm2/day.
RANGES: Mapping[str, tuple[float, float]] = {
    **dict.fromkeys(("c_r", "c_t"), (0.0, 0.01)),
    **dict.fromkeys(("s_r", "s_t", "s_v"), (0.0, 25.0)),
    **dict.fromkeys(("sg_basic", "sg_12"), (0.05, 1.4)),
    **dict.fromkeys(("moe_12_mpa", "moe_green_mpa"), (500.0, 40_000.0)),
    "density_12": (56.0, 1568.0),
    "fsp": (15.0, 40.0),
    "mp": (12.0, 40.0),
    "d20": (0.0, 1000.0),
}
# Of these the two ends themselves are no figures.
OPEN = frozenset({"c_r", "c_t", "s_r", "s_t", "s_v", "mp", "d20"})
MECHANICAL = ("sg_basic", "sg_12", "density_12", "moe_12_mpa", "moe_green_mpa")
SOURCES = {
    "WH13-5": "Wood Handbook FPL-GTR-190 (2010), table 13-5",
    "WH4-3": "Wood Handbook FPL-GTR-190 (2010), table 4-3",
    "WH4-4": "Wood Handbook FPL-GTR-190 (2010), table 4-4",
    "WH5-3a": "Wood Handbook FPL-GTR-190 (2010), table 5-3a",
    "WH5-5b": "Wood Handbook FPL-GTR-190 (2010), table 5-5b",
    "WH5-3b-reprint": "Wood Handbook, strength table, read in a reprint",
    "WH4-5b-1999": "Wood Handbook (1999), table 4-5b, read as quoted",
    "REPRINT": "Wood Handbook, read second-hand",
    "CWA": "Center for Wood Anatomy, sheet for sapele",
}
FOR_EVERY_WOOD = {
    "fsp": (30.0, "fibre saturation where a wood has no figure of its own; Wood Handbook ch. 13"),
    "mp": (25.0, "moisture at which drying begins to stiffen, where none is given; from memory"),
    "d20": (6.5, "diffusion across the grain at 20 C, mm2/day; the order of magnitude of spruce, a prior"),
}
# Their shrinkage begins at 22 %, not 30 (from memory): a coefficient derived with 30 would be too small.
LIGHT_CEDARS = frozenset({"incense-cedar", "northern-white-cedar", "western-redcedar"})
BASE_MC_PCT = 10.0
NEAREST = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """One figure, who says so, and whether it is a table's, the user's, or worked out from another."""

    number: float
    source: str
    origin: Origin


@dataclass(frozen=True, slots=True, kw_only=True)
class UserValue:
    """A figure of the user's own for a species or a tested board, with where it comes from in words."""

    species: str
    name: str
    number: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Species:
    """A wood: its figures by name (the keys of RANGES), each with its source."""

    key: str
    shown: str
    values: Mapping[str, Value] = field(default_factory=dict)
    note: str = ""

    def value(self, name: str) -> Value:
        """The user's figure, else the table's, else (c_r and c_t alone) the one derived from shrinkage.

        Raises MissingPropertyError where there is none.
        """
        if name in self.values:
            return self.values[name]
        if name in ("c_r", "c_t"):
            return _derived(self, name)
        raise MissingPropertyError(f"{name} of {self.key}", "a figure of your own, with its source", "none")

    def has(self, name: str) -> bool:
        """Whether `value` would give one."""
        try:
            self.value(name)
        except MissingPropertyError:
            return False
        return True


def find_species(key: str, own: Iterable[UserValue] = ()) -> Species:
    """The wood of that key (`black-walnut`), the user's own values on top of the tables'.

    Raises UnknownSpeciesError, which names the nearest keys.
    """
    mine = [value for value in own if value.species == key]
    table = default_species()
    if key in table:
        return with_values(table[key], mine)
    if not mine:
        near = get_close_matches(key, table, n=NEAREST, cutoff=0.0)
        raise UnknownSpeciesError("species", f"one that is known, such as {', '.join(near)}", repr(key[:40]))
    return with_values(Species(key=key, shown=key, values=_for_every_wood()), mine)


def with_values(species: Species, own: Iterable[UserValue]) -> Species:
    """The same wood with values on top: the user's row of a species, or a board that was tested.

    Raises OutOfRangeError for a value that cannot be, MissingPropertyError for one without a source.
    """
    values = dict(species.values)
    for value in own:
        check_value(value)
        values[value.name] = Value(number=value.number, source=value.source.strip(), origin="user")
    return replace(species, values=values)


def check_value(value: UserValue) -> None:
    """Raises OutOfRangeError for a figure that no wood has, MissingPropertyError for one without a source."""
    if value.name not in RANGES:
        raise OutOfRangeError("figure of a wood", ", ".join(RANGES), repr(value.name[:40]))
    low, high = RANGES[value.name]
    inside = low <= value.number <= high
    if not inside or (value.name in OPEN and value.number in (low, high)):
        needed = f"above {low:g} and below {high:g}" if value.name in OPEN else f"{low:g} to {high:g}"
        raise OutOfRangeError(f"{value.name} of {value.species}", needed, f"{value.number:g}")
    if not value.source.strip():
        raise MissingPropertyError(
            f"{value.name} of {value.species}", "words that say where it is from", "none"
        )


def warnings(species: Species) -> tuple[str, ...]:
    """What looks wrong in a wood's figures without being impossible."""
    pairs = [("c_r", "c_t"), ("s_r", "s_t")]
    return tuple(
        f"{radial} of {species.key} is greater than {tangential}: are they the wrong way round?"
        for radial, tangential in pairs
        if {radial, tangential} <= set(species.values)
        and species.values[radial].number > species.values[tangential].number
    )


def density_kg_m3(species: Species, mc_pct: float = 12.0) -> Value:
    """Mass of a cubic metre at that moisture, good to a few % from 8 to 16 %; a formula on one figure.

    Raises MissingPropertyError where neither density nor specific gravity is known, OutOfRangeError for a
    moisture that is not 0 to 200 %.
    """
    if not 0 <= mc_pct <= 200:
        raise OutOfRangeError("density at a moisture content", "0 to 200 %", f"{mc_pct:g}")
    mine = [name for name in ("density_12", "sg_12") if name in species.values]
    mine.sort(key=lambda name: (species.values[name].origin != "user", name != "sg_12"))
    base = species.value(mine[0] if mine else "density_12")
    per_sg = 1000.0 if mine[0] == "sg_12" else 1000.0 / 1120.0
    number = per_sg * base.number * (1 + mc_pct / 100)
    return Value(number=number, source=f"{mine[0]} ({base.source})", origin="derived")


def coefficient_from_shrinkage(shrinkage_pct: float, fsp_pct: float = 30.0) -> float:
    """Change of size per 1 % MC, as a fraction of the size at 10 %, from shrinkage green to ovendry.

    Source: Wood Handbook FPL-GTR-190 (2010), ch. 13, green form (13-1) taken at 10 %.
    """
    return 1 / (100 * fsp_pct / shrinkage_pct - fsp_pct + BASE_MC_PCT)


@cache
def default_species() -> Mapping[str, Species]:
    """Every wood of the packaged table, by key."""
    return {row["key"]: _from_row(row) for row in rows("species")}


def _for_every_wood() -> dict[str, Value]:
    return {
        name: Value(number=number, source=source, origin="default")
        for name, (number, source) in FOR_EVERY_WOOD.items()
    }


def _from_row(row: Mapping[str, str]) -> Species:
    values = _for_every_wood()
    if row["key"] in LIGHT_CEDARS:
        del values["fsp"]
    for name in ("c_r", "c_t", "s_r", "s_t", "s_v", *MECHANICAL):
        if row[name]:
            source = SOURCES[row["mech_source" if name in MECHANICAL else f"{name[0]}_source"]]
            values[name] = Value(number=float(row[name]), source=source, origin="default")
    return Species(key=row["key"], shown=row["name"], values=values, note=row["note"])


def _derived(species: Species, name: str) -> Value:
    shrinkage = species.values.get(name.replace("c_", "s_"))
    fsp = species.values.get("fsp")
    if shrinkage is None or fsp is None:
        needed = f"{name}, or both {name.replace('c_', 's_')} and fsp"
        raise MissingPropertyError(f"{name} of {species.key}", needed, species.note or "none")
    return Value(
        number=coefficient_from_shrinkage(shrinkage.number, fsp.number),
        source=f"derived from {name.replace('c_', 's_')} {shrinkage.number:g} % ({shrinkage.source})",
        origin="derived",
    )

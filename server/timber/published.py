"""The published tables that come with the package, as rows of text."""

import csv
from collections.abc import Mapping
from functools import cache
from importlib.resources import files


@cache
def rows(name: str) -> tuple[Mapping[str, str], ...]:
    """Rows of one packaged table, column to text; a blank cell is "". Its head lines name its sources."""
    text = files("server.timber").joinpath("tables", f"{name}.csv").read_text("utf-8")
    return tuple(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))

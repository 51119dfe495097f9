"""The packaged tables are there, whole, and say where they are from."""

import hashlib
import json
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path

import pytest

from server.timber.published import rows


@pytest.mark.parametrize("name", ["species", "finish_mee", "finish_film", "kdef"])
def test_table_has_its_head_and_its_rows(name: str) -> None:
    text = files("server.timber").joinpath("tables", f"{name}.csv").read_text("utf-8")
    body = [line for line in text.splitlines() if not line.startswith("#")]
    assert text.startswith(f"# {name}.csv - ")
    assert len(rows(name)) == len(body) - 1 > 20
    assert all(None not in row and None not in row.values() for row in rows(name))


DIGESTS: dict[str, list[str]] = json.loads(
    (Path(__file__).parents[1] / "published" / "tables.json").read_text("utf-8")
)


@pytest.mark.parametrize("name", ["species", "finish_mee", "finish_film", "kdef"])
def test_every_row_is_as_it_was_read(name: str) -> None:
    """Source: the page that each row names, else the table's head.

    The digests were taken of the rows as they were carried over from there, line by line: a digit changed
    makes a row that nobody read.
    """
    text = files("server.timber").joinpath("tables", f"{name}.csv").read_text("utf-8")
    head, *body = [line for line in text.splitlines() if not line.startswith("#")]
    found = [hashlib.sha256(line.encode()).hexdigest()[:16] for line in body]
    sources = [column for column in head.split(",") if "source" in column]
    unlike = [
        f"{line.partition(',')[0]}: not as read in {_named(row, sources) or 'the head'}"
        for line, row, mine, wanted in zip(body, rows(name), found, DIGESTS[name], strict=True)
        if mine != wanted
    ]
    assert unlike == []


def _named(row: Mapping[str, str], sources: list[str]) -> list[str]:
    return [row[column] for column in sources if row[column]]

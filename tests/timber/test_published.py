"""The packaged tables are there, whole, and say where they are from."""

from importlib.resources import files

import pytest

from server.timber.published import rows


@pytest.mark.parametrize("name", ["species", "finish_mee", "finish_film", "kdef"])
def test_table_has_its_head_and_its_rows(name: str) -> None:
    text = files("server.timber").joinpath("tables", f"{name}.csv").read_text("utf-8")
    body = [line for line in text.splitlines() if not line.startswith("#")]
    assert text.startswith(f"# {name}.csv - ")
    assert len(rows(name)) == len(body) - 1 > 20
    assert all(None not in row and None not in row.values() for row in rows(name))

"""What a database holds, compared."""

from dataclasses import replace

from sqlalchemy import Engine

from server.backup.contents import Contents, unlike, unlike_readings, without_left_out
from server.schema import all_tables, head
from tests.backup.yard import contents, fill

ONE = Contents(revision="0001", rows={"site": 1, "downlink": 3}, readings={7: {"2026-01": "a"}})


def test_contents_are_revision_rows_and_months(engine: Engine) -> None:
    fill(engine, days=1)
    found = contents(engine)
    assert found.revision == head()
    assert found.rows.keys() == all_tables().tables.keys()
    assert {found.rows[name] for name in ("site", "door")} == {1}
    assert {channel: list(months) for channel, months in found.readings.items()} == {
        channel: ["2026-01"] for channel in (1, 2, 3)
    }


def test_each_difference_is_named() -> None:
    assert unlike(ONE, ONE) == []
    assert unlike(ONE, replace(ONE, rows={"site": 2, "downlink": 3})) == [
        "1 rows of site are told, 2 are there"
    ]
    assert unlike(ONE, replace(ONE, rows={"site": 1})) == ["3 rows of downlink are told, None are there"]
    assert unlike(ONE, replace(ONE, readings={})) == ["the readings of channel 7, 2026-01 differ"]


def test_of_another_revision_readings_alone_are_compared() -> None:
    assert unlike(ONE, replace(ONE, revision="0002", rows={})) == []
    assert unlike(ONE, replace(ONE, revision="0002", readings={7: {"2026-01": "b"}})) != []
    assert unlike_readings({1: {"2026-01": "a"}}, {1: {"2026-01": "a"}}) == []


def test_words_to_nodes_are_left_out() -> None:
    assert without_left_out(ONE).rows == {"site": 1, "downlink": 0}

"""A back-up: made while readings come in, read back, and refused when a byte of it is other."""

import json
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine

from server.backup.contents import unlike, without_left_out
from server.backup.making import Beside, back_up, check
from server.backup.refusals import BackupError
from server.database import open_engine, session_of
from server.readings.sessions import put_downlink
from tests.backup.yard import NOW, contents, fill
from tests.intake.yard import collecting, enrol_world, north_pack, offer, until
from tests.refusals import refuses

ASKED = "verify"


def test_a_back_up_holds_what_the_database_held(engine: Engine, tmp_path: Path) -> None:
    fill(engine)
    place, made = back_up(engine, tmp_path / "kept", now=NOW)
    assert place.name == "hangtrue-20261124T020000Z"
    assert sorted(one.name for one in place.iterdir()) == sorted([made.file, "manifest.json"])
    assert made.contents == without_left_out(contents(engine))
    assert made.contents.rows["reading"] == 24 * 40 * 3
    assert sorted(made.contents.readings[1]) == ["2026-01", "2026-02"]
    assert check(place, asked=ASKED)[0] == made


def test_nobody_else_may_read_it(engine: Engine, tmp_path: Path) -> None:
    (config := tmp_path / "my.toml").write_text("look_at = '05:00'")
    (certificate := tmp_path / "ca.pem").write_text("certificate")
    beside = Beside(config=config, certificate=certificate)
    place, _ = back_up(engine, tmp_path / "kept", now=NOW, beside=beside)
    modes = {one.name: oct(one.stat().st_mode & 0o777) for one in place.iterdir()}
    assert set(modes.values()) == {"0o600"}
    assert {"hangtrue.toml", "ca.pem"} < modes.keys()
    assert oct(place.stat().st_mode & 0o777) == "0o700"
    check(place, asked=ASKED)


def test_no_word_to_a_node_is_in_it(engine: Engine, tmp_path: Path) -> None:
    """`secret` holds a password on its way: not a byte of it is in the file."""
    with session_of(engine) as session:
        put_downlink(session, "hangtrue/v1/saltmarsh-yard/north/secret", b"W3NH5R1EJD6GPY0S", rev=1, now=NOW)
    place, made = back_up(engine, tmp_path / "kept", now=NOW)
    assert contents(engine).rows["downlink"] == 1
    assert made.contents.rows["downlink"] == 0
    assert all(b"W3NH5R1EJD6GPY0S" not in one.read_bytes() for one in place.iterdir())


def test_under_load_it_is_one_moment(engine: Engine, tmp_path: Path) -> None:
    """While packs of two instants come in, each back-up holds whole packs, and intake goes on."""
    enrol_world(engine)
    stop = threading.Event()
    with collecting(engine) as (collector, kept):

        def publish() -> None:
            seq = 1
            while not stop.is_set():
                collector.offer(offer(north_pack(seq, 2, value=seq % 7)))
                seq += 2
                until(lambda sent=seq // 2: len(kept.taken) >= sent - 20)  # type: ignore[misc]  # a default binds

        sender = threading.Thread(target=publish)
        sender.start()
        try:
            until(lambda: len(kept.taken) > 20)
            before = len(kept.taken)
            held = [back_up(engine, tmp_path, now=NOW + timedelta(seconds=n)) for n in range(3)]
            until(lambda: len(kept.taken) > before)
        finally:
            stop.set()
            sender.join()
    for place, made in held:
        rows = made.contents.rows
        assert rows["reading"] == 2 * rows["instant"] > 0
        assert rows["instant"] % 2 == 0
        assert check(place, asked=ASKED)[0] == made
    counts = [made.contents.rows["instant"] for _, made in held]
    assert counts == sorted(counts)
    assert counts[0] < 2 * len(kept.taken)


def test_one_a_second(engine: Engine, tmp_path: Path) -> None:
    back_up(engine, tmp_path, now=NOW)
    with refuses(BackupError, asked="back up", needed="a second without", came="20261124T020000Z"):
        back_up(engine, tmp_path, now=NOW)
    assert [one.name for one in tmp_path.iterdir() if one.is_dir()] == ["hangtrue-20261124T020000Z"]


def test_a_folder_that_cannot_be_made_is_a_sentence(engine: Engine, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with refuses(BackupError, asked="back up", needed="that can be written", came=""):
        back_up(engine, tmp_path / "file" / "kept", now=NOW)


def _other_byte(place: Path, file: Path) -> None:
    data = bytearray(file.read_bytes())
    data[len(data) // 2] ^= 1
    file.write_bytes(data)


def _cut(place: Path, file: Path) -> None:
    file.write_bytes(file.read_bytes()[:-100])


def _gone(place: Path, file: Path) -> None:
    file.unlink()


def _linked(place: Path, file: Path) -> None:
    file.rename(place.parent / "elsewhere")
    file.symlink_to(place.parent / "elsewhere")


def _manifest(change: Callable[[dict[str, object]], object]) -> Callable[[Path, Path], None]:
    def spoil(place: Path, file: Path) -> None:
        root = json.loads((place / "manifest.json").read_text())
        change(root)
        (place / "manifest.json").write_text(json.dumps(root))

    return spoil


SPOILT = {
    "byte": (_other_byte, "other bytes"),
    "cut": (_cut, "other bytes"),
    "gone": (_gone, "none"),
    "linked": (_linked, "none"),
    "rows": (_manifest(lambda root: root["rows"].update(node=7)), "7 rows of node are told, 1 are there"),  # type: ignore[attr-defined]  # JSON
    "hash": (
        _manifest(lambda root: root["readings"]["1"].update({"2026-01": "0" * 64})),  # type: ignore[index]  # JSON
        "the readings of channel 1, 2026-01 differ",
    ),
    "form": (_manifest(lambda root: root.update(form=2)), "another form"),
    "kind": (_manifest(lambda root: root.update(kind="../etc")), "another form"),
    "made": (_manifest(lambda root: root.update(made="2026-11-24")), "another form"),
}


@pytest.mark.parametrize("how", sorted(SPOILT))
def test_what_is_not_what_its_manifest_says_is_refused(engine: Engine, tmp_path: Path, how: str) -> None:
    fill(engine)
    place, made = back_up(engine, tmp_path, now=NOW)
    spoil, came = SPOILT[how]
    spoil(place, place / made.file)
    with refuses(BackupError, asked=ASKED, needed="", came=came):
        check(place, asked=ASKED)


def test_a_folder_without_a_manifest_is_no_back_up(tmp_path: Path) -> None:
    with refuses(BackupError, asked=ASKED, needed="with its manifest.json", came=tmp_path.name):
        check(tmp_path, asked=ASKED)


def test_a_snapshot_that_is_no_database_is_not_called_one(tmp_path: Path) -> None:
    """Rows that lost their parents in the live file: the copy is refused, and nothing stays."""
    url = f"sqlite:///{tmp_path / 'live.db'}"
    from server.schema import upgrade

    upgrade(url)
    with closing(sqlite3.connect(tmp_path / "live.db")) as raw, raw:
        raw.execute("INSERT INTO journal (node_id, code, first_seen, tail) VALUES (7, 'x', '2026-01-01', 1)")
    engine = open_engine(url)
    with refuses(BackupError, asked="back up", needed="its parent", came="a row of journal without its node"):
        back_up(engine, tmp_path / "kept", now=NOW)
    engine.dispose()
    assert list((tmp_path / "kept").iterdir()) == []


def test_unlike_names_each_difference(engine: Engine) -> None:
    fill(engine, days=1)
    one = contents(engine)
    assert unlike(one, one) == []

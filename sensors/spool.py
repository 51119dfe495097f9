"""The spool: every instant on disk before anything is sent, kept until the collector has stored it."""

import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from sensors.message.names import is_journal

Ranges = list[tuple[int, int]]
Layout = tuple[tuple[str, str, int], ...]

SCHEMA = """
CREATE TABLE IF NOT EXISTS journal (one INTEGER PRIMARY KEY CHECK (one = 1), jrn TEXT NOT NULL,
    head INTEGER NOT NULL, tail INTEGER NOT NULL, boot INTEGER NOT NULL,
    lost INTEGER NOT NULL DEFAULT 0, cfg TEXT);
CREATE TABLE IF NOT EXISTS instant (seq INTEGER PRIMARY KEY, ms INTEGER NOT NULL, clk TEXT NOT NULL,
    boot INTEGER NOT NULL, body TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS layout (from_seq INTEGER PRIMARY KEY, channels TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS anchor (boot INTEGER PRIMARY KEY, tick_ms INTEGER NOT NULL,
    utc_ms INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS view (jrn TEXT PRIMARY KEY, t INTEGER NOT NULL, upto INTEGER NOT NULL,
    have TEXT NOT NULL, held TEXT NOT NULL);
"""
PRAGMAS = ("journal_mode=WAL", "synchronous=FULL", "busy_timeout=5000")
FORM = 1


class SpoolError(Exception):
    """The spool can't be used: a disk that is full or read-only, or a file that is not a spool."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampled:
    """An instant as sampled: Unix ms, clock (`utc`, `drift`, `none`), power-up, whole numbers by channel."""

    ms: int
    clock: str
    boot: int
    values: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """An instant as kept, under its sequence number."""

    seq: int
    ms: int
    clock: str
    boot: int
    values: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What the collector last said of this journal: all to `upto`, and `have`; `held` it holds back."""

    t: int = 0
    upto: int = 0
    have: tuple[tuple[int, int], ...] = ()
    held: tuple[tuple[int, int], ...] = ()

    @property
    def stored(self) -> Ranges:
        """Runs that are stored, lowest first."""
        return [(1, self.upto), *self.have] if self.upto else list(self.have)


class Spool:
    """A journal in a SQLite file. One process writes it; use as a context manager."""

    def __init__(self, path: Path, *, journal_id: Callable[[], str] = lambda: os.urandom(4).hex()) -> None:
        self.path = path
        self._journal_id = journal_id

    def __enter__(self) -> "Spool":
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            self._db = sqlite3.connect(self.path, isolation_level=None)
            self._open()
        except (OSError, sqlite3.Error) as error:
            raise SpoolError(f"{self.path}: {error}") from None
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._db.close()

    def _open(self) -> None:
        for pragma in PRAGMAS:
            self._db.execute(f"PRAGMA {pragma}")
        form = self._db.execute("PRAGMA user_version").fetchone()[0]
        if form not in {0, FORM}:
            raise SpoolError(f"{self.path}: form {form} of the spool, this program knows {FORM}")
        self._db.executescript(SCHEMA + f"PRAGMA user_version={FORM};")
        fresh = self._journal_id()
        if not is_journal(fresh):
            raise SpoolError(f"{self.path}: a journal id is 8 hexadecimal digits, got {fresh!r}")
        self._db.execute(
            "INSERT OR IGNORE INTO journal (one, jrn, head, tail, boot) VALUES (1, ?, 0, 1, 0)", (fresh,)
        )
        row = self._db.execute("SELECT jrn, head, tail, boot, lost, cfg FROM journal").fetchone()
        self.journal: str = row[0]
        self.head: int = row[1]
        self.tail: int = row[2]
        self.boot: int = row[3]
        self.lost: int = row[4]
        self.config: dict[str, int] = json.loads(row[5]) if row[5] else {}
        self.view = self._last_view()

    def power_up(self) -> int:
        """Count a power-up and give its number."""
        self.boot += 1
        self._db.execute("UPDATE journal SET boot = ?", (self.boot,))
        return self.boot

    def set_layout(self, channels: Layout) -> None:
        """From the next instant on, values are of these channels: name, unit, decimals."""
        text = json.dumps(channels)
        last = self._db.execute("SELECT channels FROM layout ORDER BY from_seq DESC LIMIT 1").fetchone()
        if last is None or last[0] != text:
            self._db.execute("INSERT OR REPLACE INTO layout VALUES (?, ?)", (self.head + 1, text))

    def set_config(self, config: dict[str, int]) -> None:
        """Keep what the collector asked of this node."""
        self._db.execute("UPDATE journal SET cfg = ?", (json.dumps(config),))
        self.config = config

    def layout_at(self, seq: int) -> tuple[int, Layout]:
        """The layout of an instant, and the first instant it holds from."""
        row = self._db.execute(
            "SELECT from_seq, channels FROM layout WHERE from_seq <= ? ORDER BY from_seq DESC LIMIT 1", (seq,)
        ).fetchone()
        if row is None:
            raise SpoolError(f"{self.path}: no layout for instant {seq}")
        return row[0], tuple(
            (str(name), str(unit), int(decimals)) for name, unit, decimals in json.loads(row[1])
        )

    def append(self, instants: Iterable[Sampled]) -> int:
        """Keep instants in one transaction; give the head. On disk when this returns. Raises SpoolError."""
        head, last_ms = self.head, self.last_ms()
        rows = []
        for each in instants:
            head += 1
            # two instants never share a millisecond: a clock set back onto the last one gives one more
            last_ms = each.ms + 1 if each.ms == last_ms else each.ms
            rows.append(
                (head, last_ms, each.clock, each.boot, json.dumps(each.values, separators=(",", ":")))
            )
        try:
            self._db.execute("BEGIN IMMEDIATE")
            self._db.executemany("INSERT INTO instant VALUES (?, ?, ?, ?, ?)", rows)
            self._db.execute("UPDATE journal SET head = ?", (head,))
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise SpoolError(f"{self.path}: {error}") from None
        self.head = head
        return head

    def last_ms(self) -> int:
        """The time of the newest instant; 0 when there is none."""
        row = self._db.execute("SELECT ms FROM instant WHERE seq = ?", (self.head,)).fetchone()
        return int(row[0]) if row else 0

    def read(self, first: int, last: int) -> list[Kept]:
        """The instants first to last that are kept, in order."""
        rows = self._db.execute("SELECT * FROM instant WHERE seq BETWEEN ? AND ? ORDER BY seq", (first, last))
        return [
            Kept(seq=seq, ms=ms, clock=clk, boot=boot, values=tuple((k, v) for k, v in json.loads(body)))
            for seq, ms, clk, boot, body in rows
        ]

    def take_view(self, view: View) -> bool:
        """Replace the view by a newer statement; False for an older one."""
        if view.t <= self.view.t:
            return False
        self._db.execute(
            "INSERT OR REPLACE INTO view VALUES (?, ?, ?, ?, ?)",
            (self.journal, view.t, view.upto, json.dumps(view.have), json.dumps(view.held)),
        )
        self.view = view
        return True

    def forget(self, *, keep: int) -> int:
        """Overwrite the oldest beyond the newest `keep`, stored or not; give how many were not yet stored."""
        new_tail = self.head - keep + 1
        if new_tail <= self.tail:
            return 0
        gone = (self.tail, new_tail - 1)
        lost = sum(high - low + 1 for low, high in without([gone], self.view.stored))
        self._db.execute("BEGIN IMMEDIATE")
        self._db.execute("DELETE FROM instant WHERE seq < ?", (new_tail,))
        self._db.execute("UPDATE journal SET tail = ?, lost = lost + ?", (new_tail, lost))
        self._db.execute("COMMIT")
        self.tail, self.lost = new_tail, self.lost + lost
        return lost

    def waiting(self, *, besides: Sequence[tuple[int, int]] = ()) -> Ranges:
        """Runs of instants that are neither stored nor held back, nor among `besides`; lowest first."""
        if self.head < self.tail:
            return []
        return without([(self.tail, self.head)], [*self.view.stored, *self.view.held, *besides])

    def is_sound(self) -> bool:
        """Whether SQLite finds the file whole."""
        return bool(self._db.execute("PRAGMA quick_check").fetchone()[0] == "ok")

    def _last_view(self) -> View:
        with closing(
            self._db.execute("SELECT t, upto, have, held FROM view WHERE jrn = ?", (self.journal,))
        ) as rows:
            row = rows.fetchone()
        if row is None:
            return View()
        have, held = (tuple((low, high) for low, high in json.loads(text)) for text in row[2:])
        return View(t=row[0], upto=row[1], have=have, held=held)


def without(runs: Sequence[tuple[int, int]], taken: Sequence[tuple[int, int]]) -> Ranges:
    """`runs` less every number of `taken`; runs are inclusive and come back in rising order."""
    left = sorted(runs)
    for low, high in sorted(taken):
        kept: Ranges = []
        for first, last in left:
            if high < first or last < low:
                kept.append((first, last))
                continue
            if first < low:
                kept.append((first, low - 1))
            if high < last:
                kept.append((high + 1, last))
        left = kept
    return left


def merged(runs: Iterable[tuple[int, int]]) -> Ranges:
    """The same numbers in as few inclusive runs as can be."""
    out: Ranges = []
    for first, last in sorted(runs):
        if out and first <= out[-1][1] + 1:
            out[-1] = (out[-1][0], max(out[-1][1], last))
        else:
            out.append((first, last))
    return out

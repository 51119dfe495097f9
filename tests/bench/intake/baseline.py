"""The baseline, the standard library alone: `python -m tests.bench.intake.baseline FILE SHAPE COUNT WINDOW`.

`executemany` into one WITHOUT ROWID table with the pragmas of the service, the same rows, as many a commit.
Prints the seconds, on the wall and of processor time.
"""

import sqlite3
import sys
import time
from itertools import chain

from tests.bench.intake.packs import rows


def main() -> None:
    """Insert and print the seconds."""
    path, shape, count, window = sys.argv[1:]
    per_pack, size = rows(shape, int(count)), int(window)
    groups = [list(chain.from_iterable(per_pack[k : k + size])) for k in range(0, len(per_pack), size)]
    db = sqlite3.connect(path, isolation_level=None)
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "wal_autocheckpoint=4000"):
        db.execute(f"PRAGMA {pragma}")
    db.execute(
        "CREATE TABLE reading (channel_id INTEGER, t_ms INTEGER, value REAL, PRIMARY KEY (channel_id, t_ms))"
        " WITHOUT ROWID"
    )
    began, used = time.perf_counter(), time.process_time()
    for group in groups:
        db.execute("BEGIN IMMEDIATE")
        db.executemany("INSERT INTO reading VALUES (?, ?, ?)", group)
        db.execute("COMMIT")
    sys.stdout.write(f"{time.perf_counter() - began:.6f} {time.process_time() - used:.6f}\n")
    db.close()


if __name__ == "__main__":
    main()

"""Ten constants changed by 1 %, one at a time: `python -m tests.bench.constants [--count 10] [--seed 1]`.

Each is changed in a copy of the tree, and the tests of its floor are run there until one is red. Prints the
constant, the test that saw it and the source that the test names. Ends with 1 if any was not seen.
"""

import argparse
import ast
import os
import random
import re
import shutil
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.bench.constants.sites import Site, changed, sites

ROOT = Path(__file__).parents[3]
COPIED = ("server", "sensors", "tests", "dashboards", "migrations")
RED = re.compile(r"^FAILED (\S+?)(?:\[.*)?(?: - .*)?$|^ERROR (\S+?)(?:\[.*)?(?: - .*)?$", re.MULTILINE)
NOT_AS_READ = re.compile(r"not as read in (?:\[[^\]\n]{1,90}\]|the head)")
NAMES_A_SOURCE = re.compile(
    r"[^.\n]*(?:Source|Handbook|published|Table|table|EN \d|psychrolib|convention|by hand|closed)[^.\n]*"
)


def main() -> int:
    """Change and test. Gives the exit code."""
    parser = argparse.ArgumentParser(prog="tests.bench.constants")
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--code", action="store_true", help="Of the names in code alone.")
    asked = parser.parse_args()
    every = [one for one in sites(ROOT) if not asked.code or one.path.endswith(".py")]
    chosen = random.Random(asked.seed).sample(every, min(asked.count, len(every)))
    unseen = 0
    say(f"{len(every)} constants, {len(chosen)} chosen with seed {asked.seed}")
    with TemporaryDirectory() as folder:
        copy = Path(folder)
        for name in COPIED:
            shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(ROOT / "pyproject.toml", copy)
        for site in chosen:
            red = _seen(copy, site)
            unseen += red is None
            say(f"{site.path}:{site.line} {site.name} = {site.text}\n    {red or 'NOT SEEN'}")
    say(f"{len(chosen) - unseen} of {len(chosen)} seen")
    return 1 if unseen else 0


def say(line: str) -> None:
    """One line, at once."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def _seen(copy: Path, site: Site) -> str | None:
    """The test that is red with the constant changed, and the source it names; the copy is put back."""
    kept = (copy / site.path).read_text("utf-8")
    new = changed(copy, site)
    try:
        red = next(filter(None, (_red(copy, tests) for tests in _tests(site))), None)
    finally:
        (copy / site.path).write_text(kept, "utf-8")
    return None if red is None else f"-> {new}: {red}: {_source(copy, red)}"


def _tests(site: Site) -> tuple[str, ...]:
    """Its own module's tests first, then all of its floor."""
    floor, own = f"tests/{site.floor}", f"tests/{site.floor}/test_{Path(site.path).stem}.py"
    tables = f"{floor}/test_published.py"
    first = tables if site.path.endswith(".csv") else own
    return first, floor


def _red(copy: Path, tests: str) -> str | None:
    paths = {"PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", tests, "-x", "-q", "-p", "no:cacheprovider"],
        cwd=copy,
        env=os.environ | paths,
        capture_output=True,
        text=True,
        check=False,
    )
    found = RED.search(ran.stdout)
    if found is None:
        return None
    where = NOT_AS_READ.search(ran.stdout)
    return (found[1] or found[2]) + (f" ({where[0]})" if where else "")


def _source(copy: Path, test: str) -> str:
    """What the test, else its module, says of where its numbers are from."""
    path, _, name = test.partition(" (")[0].partition("::")
    text = (copy / path).read_text("utf-8")
    tree = ast.parse(text)
    functions = [one for one in tree.body if isinstance(one, ast.FunctionDef) and one.name == name]
    body = ast.get_source_segment(text, functions[0]) or "" if functions else ""
    docstring = (ast.get_docstring(functions[0]) or "") if functions else ""
    for told in (docstring, ast.get_docstring(tree) or "", body, text):
        if named := NAMES_A_SOURCE.search(told):
            return " ".join(named[0].split()).strip("\"'# ")
    return "names no source"


if __name__ == "__main__":
    sys.exit(main())

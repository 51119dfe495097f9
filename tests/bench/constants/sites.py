"""Where the constants of timber and joinery stand: cells of packaged tables, and named numbers in code."""

import ast
import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

FLOORS = ("timber", "joinery")
BY = 1.01
# Numbers that settle how a sum is done and not what it gives: a hundredth more or less changes no answer.
OF_THE_SUM = {
    "ARM_TIMES": "as good as rigid",
    "CLEANLINESS": "an order",
    "LEAST_LEFT": "as good as nothing",
    "MATTER": "places in a list",
    "MOST_KITS": "from there on the search is another",
    "NEAREST": "how many names are shown",
    "NEAR_M": "two heights that share a node",
    "ROUNDING_M": "the last bit of a length",
    "SERVICE_CLASSES": "a count",
    "SHORT_THETA": "where two series that agree take turns",
    "SOFTEST": "as good as a pin",
    "TIE": "two scores that are as good as the same",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """One number: its file, its line (from 1) and the columns [start, end) at which its text stands.

    `name`: what it is called, a row and column of a table or a name in code.
    """

    path: str
    line: int
    start: int
    end: int
    text: str
    name: str

    @property
    def floor(self) -> str:
        """The floor whose tests are to see it."""
        return self.path.split("/")[1]


def sites(root: Path) -> list[Site]:
    """Every constant, in a fixed order."""
    tables = [one for path in sorted(root.glob("server/timber/tables/*.csv")) for one in _cells(root, path)]
    code = [
        one
        for floor in FLOORS
        for path in sorted(root.glob(f"server/{floor}/*.py"))
        for one in _named(root, path)
    ]
    return [*tables, *code]


def changed(root: Path, site: Site) -> str:
    """Change the number under `root` by 1 %; gives its new text."""
    path = root / site.path
    lines = path.read_text("utf-8").splitlines(keepends=True)
    new = repr(float(site.text) * BY)
    line = lines[site.line - 1]
    lines[site.line - 1] = line[: site.start] + new + line[site.end :]
    path.write_text("".join(lines), "utf-8")
    return new


def _cells(root: Path, path: Path) -> Iterator[Site]:
    """Cells that are numbers other than 0; quoted cells are words."""
    head: list[str] = []
    for number, line in enumerate(path.read_text("utf-8").splitlines(), 1):
        if line.startswith("#"):
            continue
        cells = next(csv.reader([line]))
        if not head:
            head = cells
            continue
        start = 0
        for column, cell in zip(head, cells, strict=True):
            # A quoted cell is longer in the line than its text; it holds words, and so do those after it.
            if line[start : start + len(cell)] != cell:
                break
            if _is_number(cell) and float(cell) != 0.0:
                name = f"{cells[0]} {column}"
                yield _site(root, path, (number, start, start + len(cell)), cell, name)
            start += len(cell) + 1


def _named(root: Path, path: Path) -> Iterator[Site]:
    """Numbers in upper-case names of a module; counts and flags (0, 1, 2) are none."""
    source = path.read_text("utf-8")
    for node in ast.parse(source).body:
        target = node.targets[0] if isinstance(node, ast.Assign) else None
        if not isinstance(node, ast.Assign) or not _is_upper(target):
            continue
        if ast.unparse(node.targets[0]) in OF_THE_SUM:
            continue
        for one in ast.walk(node.value):
            if isinstance(one, ast.Constant) and _is_figure(one.value):
                assert one.end_col_offset is not None
                place = (one.lineno, one.col_offset, one.end_col_offset)
                text = source.splitlines()[one.lineno - 1][one.col_offset : one.end_col_offset]
                yield _site(root, path, place, text, ast.unparse(target or one))


def _is_figure(value: object) -> bool:
    return type(value) in (int, float) and value not in (0, 1, 2)


def _is_upper(target: ast.expr | None) -> bool:
    names = target.elts if isinstance(target, ast.Tuple) else [target]
    return all(isinstance(name, ast.Name) and name.id.isupper() for name in names)


def _site(root: Path, path: Path, place: tuple[int, int, int], text: str, name: str) -> Site:
    line, start, end = place
    where = path.relative_to(root).as_posix()
    return Site(path=where, line=line, start=start, end=end, text=text, name=name)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True

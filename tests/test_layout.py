"""The tree keeps its own rules: floors, sizes, tests of its names, nothing forgotten in the wheel."""

import ast
import subprocess
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

import dashboards
import sensors
import server

ROOT = Path(__file__).parents[1]
OURS = ("server", "dashboards", "sensors")
MODULES = [path for top in OURS for path in sorted((ROOT / top).rglob("*.py"))]
SETTINGS = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
LONG: dict[str, str] = {  # "path" or "path:function" -> why it may pass 400 or 40 lines
    "server/alerts/delivery/composing.py:plan": "the order in which a night is decided, a line a decision",
    "server/trend/columns.py:made_columns": "one block a column of the model, in the model's order",
    "tests/intake/test_broker.py": "one real broker and one cutting wire serve all of its cases",
    "tests/intake/test_hub.py": "one listener and its raw clients serve all of its cases",
    "tests/joinery/test_frame.py": "one leaf checked by closed forms, a second way and another's program",
    "server/trend/prepare.py:prepared": "the refusals one after another, in their order",
}
UNTESTED_BY_NAME: dict[str, str] = {  # "path" -> where its test is, or why it needs none
    "sensors/message/structure.py": "tests/sensors/message/test_check.py",
    "sensors/node/counts.py": "tests/sensors/node/test_main.py",
    "sensors/node/live.py": "tests/sensors/node/test_simulate.py",
    "sensors/publisher/transport.py": "tests/journeys/test_kill_node.py: over a real connection",
    "server/readings/store.py": "tests/readings/test_calibration.py",
    "server/service/run.py": "tests/journeys",
    "server/alerts/tables.py": "tests/test_schema.py",
    "server/alerts/delivery/tables.py": "tests/test_schema.py",
    "server/doors/bench_tables.py": "tests/doors/test_bench_tables.py",
    "server/auth/tables.py": "tests/test_schema.py",
    "server/doors/tables.py": "tests/test_schema.py",
    "server/inspection/tables.py": "tests/test_schema.py",
    "server/readings/tables.py": "tests/test_schema.py",
    "server/trials/tables.py": "tests/test_schema.py",
    "server/backup/contents.py": "tests/backup/test_making.py",
    "server/backup/manifest.py": "tests/backup/test_making.py",
    "server/backup/postgres_dump.py": "tests/backup/test_making.py",
    "server/backup/refusals.py": "each refusal is tested where it is raised",
    "server/backup/sqlite_file.py": "tests/backup/test_making.py",
    "server/clock.py": "one line that reads the wall clock, which no test may",
    "server/errors.py": "each refusal is tested where it is raised",
    "server/demo.py": "tests/journeys/test_demo.py",
    "server/doors/lookups.py": "tests/service/test_directory.py",
    "server/service/configs.py": "tests/service/test_directory.py",
    "server/readings/sessions.py": "tests/service/test_directory.py",
    "server/readings/kept.py": "tests/journeys/test_demo.py: the check of a demo counts by it",
    "server/readings/journals.py": "tests/intake/test_statements.py",
    "server/readings/months.py": "tests/readings/test_write.py",
    "server/intake/check_store.py": "tests/intake/test_collector.py",
    "server/intake/commit.py": "tests/intake/test_collector.py",
    "server/intake/counts.py": "tests/intake/test_collector.py",
    "server/intake/enrolled.py": "tests/intake/test_collector.py",
    "server/intake/judged.py": "tests/intake/test_collector.py",
    "server/intake/line.py": "tests/intake/test_collector.py",
    "server/intake/states.py": "tests/intake/test_statements.py",
    "server/intake/values.py": "values alone",
    "server/cli/run.py": "tests/journeys/test_demo.py",
}
HEAVY = {
    "apprise",
    "cryptography",
    "requests",
    "numpy",
    "scipy",
    "sqlalchemy",
    "alembic",
    "flask",
    "plotly",
    "paho",
    "pydantic",
    "tornado",
    "apscheduler",
}


def short(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("package", [server, dashboards, sensors], ids=OURS)
def test_top_level_name_is_ours_alone(package: object) -> None:
    name = getattr(package, "__name__", "")
    owners = set(packages_distributions()[name])  # twice "hangtrue" in an editable install
    assert owners == {"hangtrue"}, f"{owners} all install {name!r}: keep hangtrue in its own environment"
    assert Path(getattr(package, "__file__", "")).parent == ROOT / name


def test_every_package_is_in_the_wheel_list() -> None:
    folders = {
        short(init.parent).replace("/", ".") for top in OURS for init in (ROOT / top).rglob("__init__.py")
    }
    folders |= {"server.migrations", "server.migrations.versions"}
    assert set(SETTINGS["tool"]["setuptools"]["packages"]) == folders


@pytest.mark.parametrize("path", MODULES, ids=short)
def test_size_of_files_and_functions(path: Path) -> None:
    text = path.read_text("utf-8")
    sizes = {short(path): (text.count("\n"), 400)}
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            sizes[f"{short(path)}:{node.name}"] = ((node.end_lineno or 0) - node.lineno + 1, 40)
    assert {name for name, (size, most) in sizes.items() if size > most and name not in LONG} == set()


@pytest.mark.parametrize("path", [p for p in MODULES if p.name != "__init__.py"], ids=short)
def test_module_has_a_test_of_its_name(path: Path) -> None:
    mirror = ROOT / "tests" / path.relative_to(ROOT).parent / f"test_{path.stem}.py"
    mirror = Path(str(mirror).replace("/tests/server/", "/tests/"))
    assert mirror.exists() or short(path) in UNTESTED_BY_NAME, f"write {short(mirror)}"


def test_command_starts_without_heavy_modules() -> None:
    code = (
        "import sys, server.cli.main, sensors.node.main; print(*{name.split('.')[0] for name in sys.modules})"
    )
    assert HEAVY.isdisjoint(python("-c", code).split())


def python(*arguments: str) -> str:
    done = subprocess.run([sys.executable, *arguments], capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_message_needs_the_standard_library_alone() -> None:
    code = (
        f"import sys; sys.path.insert(0, {str(ROOT)!r}); import sensors.message.check, sensors.message.pack"
    )
    python("-I", "-S", "-c", code)  # -S: no site-packages, so nothing installed is in reach

"""From a gauge to a page: simulated, sent, stored, looked at, and read by a real browser, wide and narrow."""

import json
import re
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from tests.journeys.hung import Hung, hang, write_node_file
from tests.journeys.needs import require
from tests.journeys.yard import SITE, Served, Yard, end, make_yard, metric, serving, until

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
YEARS, SEED, INSTANTS = 1.05, 4, 6136  # what stays is told from a year on; steps of an hour and a half
DOOR = f"/doors/{SITE}/north"
WIDTHS = (1280, 390)
MINUS, NBSP = "\u2212", "\u00a0"
JOINTS = {
    "Top rail, hinge side": "top-hinge",
    "Lock rail, hinge side": "lock-hinge",
    "Lock rail, latch side": "lock-latch",
}
CELLS = {
    "Opening stays, mm": ("opening", "stays"),
    "Turn stays, mrad": ("turn", "stays"),
    "Swing this year, mm": ("opening", "swing_year"),
}
SHOWN = ("now", "stays", "stays_low", "stays_high")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """The system's chromium."""
    path = require(CHROMIUM, "chromium: apt-get install chromium")
    with sync_playwright() as player:
        opened = player.chromium.launch(executable_path=path, args=FLAGS)
        yield opened
        opened.close()


def printed(value: float) -> str:
    """A number as a page prints it: two decimals and a true minus sign, no minus before nothing."""
    text = f"{value:.2f}"
    return text.lstrip("-") if float(text) == 0 else text.replace("-", MINUS)


def send_all(made: Hung, yard: Yard, served: Served) -> None:
    """Run the node until all of its years are stored and their days are made."""
    child, stored = made.start("--packs-per-s", "200"), "SELECT count(*) FROM instant"
    try:
        until(lambda: yard.rows(stored)[0][0] > INSTANTS, "the years", within_s=90, every_s=0.2)
        until(lambda: made.counts()["waiting"] == 0, "the node to know it", every_s=0.2)
        assert made.counts()["head"] > INSTANTS
    finally:
        assert end(child) == 0
    until(lambda: yard.rows("SELECT count(*) FROM dirty_day") == [(0,)], "the days to be made", within_s=60)


def looked_at(yard: Yard) -> dict[str, dict[str, Any]]:
    """What `hangtrue inspect --now` finds, by series."""
    told = yard.command("inspect", "--now", "--json")
    assert told.returncode == 0, told.stderr
    (door,) = json.loads(told.stdout)
    assert door["door"] == f"{SITE}/north"
    return {one["key"]: one for one in door["series"]}


def check_api(series: Mapping[str, Mapping[str, Any]], looked: Mapping[str, Mapping[str, Any]]) -> None:
    """The API gives what the look found: every series, and each figure of it to the last digit."""
    assert set(series) == set(looked)
    assert {"droop", *(f"turn:{joint}" for joint in JOINTS.values())} <= set(series)
    for key, one in series.items():
        found = looked[key]
        assert (one["status"], one["unit"]) == (found["status"], found["unit"])
        if one["why_refused"] is None:
            assert {name: one[name] for name in SHOWN} == {name: found[name] for name in SHOWN}, key
            rates = (one["rate_per_year"], one["rate_low_per_year"], one["rate_high_per_year"])
            assert rates == (found["rate"], found["low"], found["high"]), key
    assert series["droop"]["why_refused"] is None


def check_readings(made: Hung, served: Served) -> None:
    """The API gives the readings of a gauge as its node kept them."""
    with made.spool() as spool:
        layout = spool.layout_at(spool.head)[1]
        kept = spool.read(spool.head - 99, spool.head)
    index = [name for name, _, _ in layout].index("lock-hinge-top")
    wanted = [(each.ms, dict(each.values)[index] / 10 ** layout[index][2]) for each in kept]
    asked = {"channel": f"{SITE}/north/lock-hinge-top", "from": kept[0].ms, "to": kept[-1].ms + 1}
    told = served.facts("/api/v1/readings", **asked)
    assert list(zip(told["t_ms"], told["raw"], strict=True)) == wanted
    assert all(0 < value < 5 for value in told["value"])  # mm of a shoulder's gauge, calibrated


def check_page(page: Page, told: Mapping[str, Any]) -> None:
    """The page of the door says what the API says."""
    series = {one["key"]: one for one in told["series"]}
    droop = series["droop"]
    assert page.locator("h1").inner_text() == told["shown"]
    assert page.locator(".titleline .state").inner_text() == told["state_word"]
    lead = page.locator(".lead").inner_text()
    assert plain(lead) == plain(told["lead"])
    for name in ("now", "stays"):
        assert printed(abs(round(droop[name], 2))) in lead
    elevation = page.locator(".elev").first
    assert float(elevation.get_attribute("data-stays") or "nan") == round(droop["stays"], 2)
    leaf = plain(page.locator(".limit").first.inner_text())
    assert f"stays {printed(droop['stays'])} mm" in leaf
    assert f"of {printed(droop['limit'])} mm" in leaf
    assert joint_cells(page) == {
        place: {label: cell(series[f"{kind}:{joint}"], name) for label, (kind, name) in CELLS.items()}
        for place, joint in JOINTS.items()
    }


def cell(one: Mapping[str, Any], name: str) -> str:
    """A figure of a movement as its table prints it, what stays with its bounds; a stroke while not told."""
    if one["why_refused"] is not None:
        return "\u2014"
    bounds = f" ({printed(one['stays_low'])} to {printed(one['stays_high'])})" if name == "stays" else ""
    return f"{printed(one[name])}{bounds}"


def joint_cells(page: Page) -> dict[str, dict[str, str]]:
    """The figures of the table of joints, by row and label."""
    return {
        row.locator("th").inner_text(): {
            label: row.locator(f'td[data-l="{label}"]').inner_text() for label in CELLS
        }
        for row in page.locator("table.joints tbody tr").all()
    }


def plain(text: str) -> str:
    """Words with single plain spaces between them."""
    return re.sub(r"\s+", " ", text.replace(NBSP, " ")).strip()


def opened(browser: Browser, width: int) -> tuple[Page, list[str]]:
    """A page of that width, and what the console says in it."""
    page, said = browser.new_page(viewport={"width": width, "height": 900}), list[str]()
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    return page, said


def check_drawn(page: Page, said: list[str], width: int) -> None:
    """Every figure comes alive, nothing lies beyond the right edge, and the console is silent."""
    figures = page.locator(".plot[data-figure]")
    assert figures.count() == 2
    for k in range(2):
        figures.nth(k).scroll_into_view_if_needed()
        figures.nth(k).locator(".main-svg").first.wait_for(timeout=20_000)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert said == []


def test_what_a_gauge_said_is_what_the_page_says(database_url: str, tmp_path: Path, browser: Browser) -> None:
    yard = make_yard(tmp_path / "yard", database_url)
    # the look is the command's: one of the service, as soon as it runs, would say the same
    yard.config.write_text('look_at = "23:59"\n' + yard.config.read_text("utf-8"), "utf-8")
    made = hang(yard, door="north", years=YEARS, seed=SEED)
    with serving(yard) as served:
        write_node_file(made, served.intake)
        send_all(made, yard, served)
        looked = looked_at(yard)
        told = served.facts(f"/api/v1{DOOR}")
        check_api({one["key"]: one for one in told["series"]}, looked)
        check_readings(made, served)
        for width in WIDTHS:
            page, said = opened(browser, width)
            page.goto(f"http://127.0.0.1:{served.pages}{DOOR}")
            check_page(page, told)
            check_drawn(page, said, width)
            page.close()
        assert metric(served, "readings_stored_total") == yard.rows("SELECT count(*) FROM reading")[0][0]
        assert served.get("/healthz")[0] == 200

"""The pages in a real browser, with axe-core's rules; skipped without chromium unless CI says otherwise."""

import logging
import os
import re
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import product

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, Route, sync_playwright
from sqlalchemy import Engine
from werkzeug.serving import ThreadedWSGIServer

from tests.dashboards.conftest import app_over
from tests.journeys.needs import is_long

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
NORTH = "/doors/saltmarsh-yard/north"
PAGES = ["/", NORTH, "/compare", "/alerts", "/reckons", f"{NORTH}/reckons"]
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
SOON_MS = 15_000
Shown = tuple[int, str]


def crossed(*shown: Shown) -> list[Shown]:
    """Every width and every theme once; with HANGTRUE_LONG=1 each width in each theme."""
    widths, themes = (sorted(set(one)) for one in zip(*shown, strict=True))
    return list(product(widths, themes)) if is_long() else list(shown)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """The system's chromium."""
    if CHROMIUM is None:
        if os.environ.get("CI") == "true":
            pytest.fail("no chromium: apt-get install chromium")
        pytest.skip("no chromium on this machine: apt-get install chromium")
    with sync_playwright() as player:
        opened = player.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture
def address(alerted: Engine) -> Iterator[str]:
    """The two doors' pages with an alert, served on a free port of this computer."""
    with served(alerted) as at:
        yield at


@pytest.fixture
def dated(running: Engine) -> Iterator[str]:
    """The same with a droop and a turn that run away, and the dates of their limits."""
    with served(running) as at:
        yield at


@contextmanager
def served(engine: Engine) -> Iterator[str]:
    """The pages over a database, on a free port of this computer until the end."""
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = ThreadedWSGIServer("127.0.0.1", 0, app_over(engine))
    server.daemon_threads = False  # what is still being answered at the end is waited for, its files closed
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def opened(browser: Browser, *, width: int, theme: str = "light") -> tuple[Page, list[str]]:
    """A new page of that width, and what the console says in it."""
    context = browser.new_context(
        viewport={"width": width, "height": 900},
        color_scheme="dark" if theme == "slate" else "light",
    )
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    return page, said


def live(page: Page) -> None:
    """Wait until every figure of the page is live."""
    for k in range(page.locator(".plot[data-figure]").count()):
        page.locator(".plot[data-figure]").nth(k).scroll_into_view_if_needed()
        page.locator(".plot[data-figure]").nth(k).locator(".main-svg").first.wait_for(timeout=SOON_MS)
    if page.locator(".plot[data-figure]").count():
        page.wait_for_function(
            "document.querySelectorAll('.plot.live').length === "
            "document.querySelectorAll('.plot[data-figure]').length"
        )


@pytest.fixture
def declared_address(declared: Engine) -> Iterator[str]:
    """The pages of two watched doors with a sealed trial, served on a free port of this computer."""
    with served(declared) as at:
        yield at


@pytest.mark.parametrize(("width", "theme"), crossed((1280, "paper"), (390, "slate"), (320, "paper")))
def test_axe_finds_nothing_about_a_comparison_and_its_trial(
    browser: Browser, declared_address: str, width: int, theme: str
) -> None:
    page, said = opened(browser, width=width, theme=theme)
    page.goto(f"{declared_address}/trials")
    trial = page.locator("tbody a").first.get_attribute("href") or ""
    for path in ("/compare", "/compare?joint=droop", "/trials", trial, f"{trial}/sheet"):
        page.goto(declared_address + path)
        live(page)
        found = Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
        assert [(path, one["id"], [node["html"] for node in one["nodes"]]) for one in found] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
    assert said == []
    page.context.close()


def test_the_sheet_of_a_trial_prints_on_one_page(browser: Browser, declared_address: str) -> None:
    page, _ = opened(browser, width=1280)
    page.goto(f"{declared_address}/trials")
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(declared_address + (page.locator("tbody a").first.get_attribute("href") or "") + "/sheet")
    printed = page.pdf(format="A4", margin={"top": "9mm", "right": "9mm", "bottom": "9mm", "left": "9mm"})
    assert printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page/") == 1
    assert all(url.startswith(declared_address) for url in asked)
    page.context.close()


@pytest.mark.parametrize(("width", "theme"), crossed((1280, "slate"), (390, "paper")))
def test_axe_finds_nothing_and_the_console_is_silent(
    browser: Browser, address: str, width: int, theme: str
) -> None:
    page, said = opened(browser, width=width, theme=theme)
    for path in PAGES:
        page.goto(address + path)
        live(page)
        found = Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
        assert [(path, one["id"], [node["html"] for node in one["nodes"]]) for one in found] == []
    assert said == []
    page.context.close()


def test_nothing_scrolls_sideways_at_320(browser: Browser, address: str) -> None:
    page, _ = opened(browser, width=320)
    for path in [*PAGES, "/nowhere"]:
        page.goto(address + path)
        live(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= 320, path
    page.context.close()


def test_the_live_figure_takes_the_still_s_place(browser: Browser, address: str) -> None:
    page, _ = opened(browser, width=1280)
    page.goto(address + NORTH)
    place = "e => { const b = e.getBoundingClientRect(); return [b.x, b.y + scrollY, b.width, b.height] }"
    before = page.locator(".plot").first.evaluate(place)
    live(page)
    assert page.locator(".plot").first.evaluate(place) == before
    assert page.locator(".live-box").first.evaluate(place) == before
    assert page.locator(".plot .still").first.evaluate("e => getComputedStyle(e).visibility") == "hidden"
    pixel = "v => document.querySelector('.live-box')._fullLayout.yaxis.d2p(v)"
    assert page.evaluate(pixel, 1.0) > page.evaluate(pixel, 0.0)  # down is down
    page.context.close()


def test_without_the_bundle_the_still_stays(browser: Browser, address: str) -> None:
    page, _ = opened(browser, width=1280)

    def stop(route: Route) -> None:
        route.abort()

    page.route(re.compile("plotly-basic"), stop)
    with page.expect_event("requestfailed"):
        page.goto(address + NORTH)
        page.locator(".plot").first.scroll_into_view_if_needed()
    page.wait_for_function("!document.querySelector('.live-box')")
    assert page.locator(".plot.live").count() == 0
    assert page.locator(".plot .still").first.is_visible()
    page.context.close()


def test_the_slider_moves_the_leaf_and_its_gauges(browser: Browser, address: str) -> None:
    page, _ = opened(browser, width=1280)
    page.goto(address + NORTH)
    leaf = page.locator(".elev .leaf")
    droop = float(page.locator(".elev").get_attribute("data-stays") or 0)
    droop += float(page.locator(".elev").get_attribute("data-season") or 0)
    for times, key in ((120, "End"), (1, "Home")):
        page.locator("#ex").press(key)
        corner = re.search(r"V([\d.]+)L0", leaf.get_attribute("d") or "")
        assert corner is not None
        assert float(corner[1]) == pytest.approx(2150 + droop * times, abs=0.1)
        assert page.locator("output[for=ex]").text_content() == f"{times} ×"
    assert page.locator("#ex").get_attribute("aria-valuetext") == "as it is"
    last = page.locator(".elev .gauge").last
    at_one = float(last.get_attribute("cy") or 0)
    page.locator("#ex").press("End")
    assert float(last.get_attribute("cy") or 0) > at_one + 50
    page.context.close()


def test_the_span_buttons_set_the_range(browser: Browser, address: str) -> None:
    page, _ = opened(browser, width=1280)
    page.goto(address + NORTH)
    live(page)
    whole = page.evaluate("document.querySelector('.live-box')._fullLayout.xaxis.range[0]")
    page.get_by_role("button", name="Last year").click()
    assert page.get_by_role("button", name="Last year").get_attribute("aria-pressed") == "true"
    assert page.get_by_role("button", name="Since hung").get_attribute("aria-pressed") == "false"
    year = page.evaluate("document.querySelector('.live-box')._fullLayout.xaxis.range[0]")
    assert whole[:4] == "2021"
    assert year[:4] == "2025"
    page.context.close()


def test_the_date_is_drawn_under_its_own_span_alone(browser: Browser, dated: str) -> None:
    page, said = opened(browser, width=390)
    page.goto(dated + NORTH)
    live(page)
    traces = "document.querySelector('.live-box')._fullData.map(t => t.line.dash)"
    assert not any(dash == "2px,5px" for dash in page.evaluate(traces))
    before = page.evaluate("document.querySelector('.live-box')._fullLayout.xaxis.range[1]")
    page.get_by_role("button", name="On to the limit").first.click()
    page.wait_for_function(f"{traces}.filter(dash => dash === '2px,5px').length === 2")
    after = page.evaluate("document.querySelector('.live-box')._fullLayout.xaxis.range[1]")
    assert before < "2027-03"
    assert after > "2028-10"
    assert page.evaluate("document.querySelector('.live-box')._fullLayout.yaxis.range[0]") > 2.43
    page.get_by_role("button", name="Since hung").first.click()
    page.wait_for_function(f"!{traces}.includes('2px,5px')")
    found = Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
    assert [one["id"] for one in found] == []
    assert said == []
    page.context.close()


def test_the_theme_is_kept_over_a_reload(browser: Browser, address: str) -> None:
    page, said = opened(browser, width=390)
    page.goto(address + NORTH)
    live(page)
    page.get_by_role("button", name="Paper or slate").click()
    assert page.evaluate("document.documentElement.dataset.theme") == "slate"
    page.reload()
    assert page.evaluate("document.documentElement.dataset.theme") == "slate"
    ink = page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--sheet')")
    assert ink.strip().lower() == "#1d2428"
    assert said == []
    page.context.close()


def test_pages_without_figures_ask_for_no_plotting_library(browser: Browser, address: str) -> None:
    page, _ = opened(browser, width=1280)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    for path in ("/", "/alerts"):
        page.goto(address + path)
        page.wait_for_load_state("networkidle")
    assert asked
    assert not any("plotly" in url for url in asked)
    page.context.close()


def test_a_person_marks_an_alert_as_seen_and_closes_it(browser: Browser, address: str) -> None:
    page, said = opened(browser, width=390)
    page.goto(address + "/alerts")
    page.get_by_role("button", name="Mark as seen").click()
    page.get_by_text("Seen", exact=True).wait_for()
    assert page.get_by_role("button", name="Mark as seen").count() == 0
    page.get_by_text("Close it").click()
    page.get_by_label("How did it end?").fill("Tried a feeler: it does not enter.")
    page.get_by_role("button", name="Close").click()
    page.get_by_text("Tried a feeler: it does not enter.", exact=True).wait_for()
    assert page.locator(".lead").inner_text().startswith("Nothing stands.")
    assert said == []
    page.context.close()

"""The application: headers, hosts, static names, markup."""

import hashlib
import re
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from dashboards.create_app import POLICY, STATIC, stamp_of
from tests.dashboards.conftest import HOST

PATHS = ["/", "/doors/saltmarsh-yard/north", "/compare", "/alerts", "/api/v1/doors", "/nowhere", "/healthz"]
# What a browser must be told, written out here from the project's own security page.
TOLD = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; font-src 'self'; connect-src 'self'; manifest-src 'self'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Embedder-Policy": "require-corp",
    "Cache-Control": "no-store",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), usb=(), serial=(), payment=()",
}


@pytest.mark.parametrize("path", PATHS)
def test_every_answer_carries_the_headers(client: FlaskClient, path: str) -> None:
    answer = client.get(path, base_url=HOST)
    assert {name: answer.headers.get(name) for name in TOLD} == TOLD
    assert "Server" not in answer.headers
    assert answer.headers["Date"] == "Tue, 24 Nov 2026 07:40:00 GMT"
    assert "Strict-Transport-Security" not in answer.headers


def test_transport_security_is_said_over_tls_alone(client: FlaskClient) -> None:
    answer = client.get("/", base_url="https://127.0.0.1")
    assert answer.headers["Strict-Transport-Security"] == "max-age=31536000"


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "sub.localhost", "127.0.0.2", "127.1"]
)
def test_a_foreign_host_is_refused(client: FlaskClient, host: str) -> None:
    assert client.get("/", headers={"Host": host}).status_code == 400


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "127.0.0.1:8060"])
def test_our_own_host_is_served(client: FlaskClient, host: str) -> None:
    assert client.get("/", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS"])
@pytest.mark.parametrize("path", ["/", "/doors/saltmarsh-yard/north", "/compare", "/alerts", "/api/v1/doors"])
def test_pages_are_read_only(client: FlaskClient, method: str, path: str) -> None:
    client.application.config["WTF_CSRF_ENABLED"] = False
    answer = client.open(path, method=method, base_url=HOST)
    assert answer.status_code == 405
    assert set(answer.headers["Allow"].split(", ")) == {"GET", "HEAD"}


def test_static_files_have_a_name_of_their_content_and_are_kept(client: FlaskClient) -> None:
    page = client.get("/", base_url=HOST).get_data(as_text=True)
    css = re.search(r'href="(/static/[0-9a-f]{12}/sheet\.css)"', page)
    assert css is not None
    with client.get(css[1], base_url=HOST) as answer:
        assert answer.headers["Cache-Control"] == "public, max-age=31536000, immutable"
        assert answer.data == (STATIC / "sheet.css").read_bytes()
    assert client.get("/static/000000000000/sheet.css", base_url=HOST).status_code == 404
    assert client.get(css[1].replace("sheet.css", "../create_app.py"), base_url=HOST).status_code == 404


def test_the_stamp_changes_with_a_file(tmp_path: Path) -> None:
    folder = tmp_path
    (folder / "a.css").write_text("a")
    before = stamp_of(folder)
    (folder / "a.css").write_text("b")
    assert stamp_of(folder) != before


def test_nothing_is_inline(client: FlaskClient) -> None:
    for path in PATHS:
        page = client.get(path, base_url=HOST).get_data(as_text=True)
        assert not re.search(r"\sstyle=|<style|\son[a-z]+=|javascript:", page), path
        assert all("src=" in tag for tag in re.findall(r"<script[^>]*>", page)), path


def test_templates_trust_no_text() -> None:
    for path in sorted((STATIC.parent / "templates").glob("*.html")):
        assert "|safe" not in path.read_text("utf-8").replace(" ", ""), path
    for path in sorted(STATIC.parent.rglob("*.py")):
        text = path.read_text("utf-8")
        assert "Markup(" not in text, path
        assert "render_template_string" not in text, path


def test_vendored_files_are_those_that_are_listed() -> None:
    folder = STATIC / "vendor"
    listed = dict(
        re.findall(r"\| `([^`]+)` \|.*\| `([0-9a-f]{64})` \|", (folder / "README.md").read_text("utf-8"))
    )
    assert len(listed) == 4
    for name, digest in listed.items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest, name
    licences = {
        "plotly/LICENSE.txt",
        "fonts/national-park-OFL.txt",
        "fonts/patrick-hand-OFL.txt",
        "README.md",
    }
    there = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert there == set(listed) | licences


def test_the_cookie_of_the_forms_is_guarded(client: FlaskClient) -> None:
    assert POLICY.endswith("frame-ancestors 'none'")
    app = client.application
    assert app.config["SESSION_COOKIE_NAME"] == "hangtrue"
    assert app.config["SESSION_COOKIE_SAMESITE"] == "Lax"
    assert app.session_interface.digest_method is hashlib.sha256  # type: ignore[attr-defined]


def test_the_theme_chosen_is_written_on_the_page(client: FlaskClient) -> None:
    for theme in ("paper", "slate"):
        client.set_cookie("sheet", theme, domain="127.0.0.1")
        assert f'data-theme="{theme}"' in client.get("/", base_url=HOST).get_data(as_text=True)
    client.set_cookie("sheet", '"><script>', domain="127.0.0.1")
    assert "data-theme" not in client.get("/", base_url=HOST).get_data(as_text=True)


def test_invented_figures_are_said_to_be_so(client: FlaskClient) -> None:
    for path in ("/", "/doors/saltmarsh-yard/north", "/compare", "/alerts"):
        assert "Invented figures" in client.get(path, base_url=HOST).get_data(as_text=True)

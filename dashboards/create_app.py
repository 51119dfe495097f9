"""The Flask application: pages, figures and data over sessions and a clock that are handed in."""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from email.utils import format_datetime
from pathlib import Path

from flask import Flask, Response, abort, request, send_from_directory
from flask.sessions import SecureCookieSessionInterface
from flask_wtf.csrf import CSRFProtect

from dashboards.pages import (
    alerts,
    api,
    compare,
    door,
    doors,
    feed,
    feeler,
    limits,
    reckons,
    refusals,
    trial,
    words,
)
from dashboards.pages.health import pages as health_pages
from dashboards.pages.ours import Ours, theme
from server.clock import Clock
from server.database import Session

STATIC = Path(__file__).parent / "static"
MOST_BODY = 65536
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "
    "connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Embedder-Policy": "require-corp",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), usb=(), serial=(), payment=()",
}
READS = ("GET", "HEAD")


class Sessions(SecureCookieSessionInterface):
    """The form cookie, signed with SHA-256."""

    digest_method = staticmethod(hashlib.sha256)


def create_app(  # noqa: PLR0913  (each part is opened by whoever calls; none has a default that would be right)
    *,
    sessions: Callable[[], Session],
    writing: Callable[[], AbstractContextManager[Session]],
    clock: Clock,
    health: Callable[[], Mapping[str, object] | None],
    hosts: Sequence[str],
    secret: bytes,
    zone: str | None,
    invented: bool = False,
    base_url: str = "http://127.0.0.1:8060",
) -> Flask:
    """Give an application that reads by `sessions`, writes by `writing`, and asks `clock` for the time.

    `health` gives the service's last word, None once it is stale. `hosts` are the names it answers to,
    without port. `secret` signs the forms. `zone` overrides the doors' own. `invented`: every page says so.
    `base_url` is the address that messages and the feed give.
    """
    app = Flask(__name__, static_folder=None)
    app.extensions["hangtrue"] = Ours(
        sessions=sessions,
        writing=writing,
        clock=clock,
        health=health,
        zone=zone,
        invented=invented,
        base_url=base_url,
    )
    _guards(app, clock)
    _settings(app, hosts, secret)
    _static(app)
    parts = (doors, door, feeler, reckons, compare, trial, alerts, limits, feed, api)
    for pages in (*(part.pages for part in parts), health_pages):
        app.register_blueprint(pages)
    refusals.register(app)
    app.jinja_env.globals.update(states=words.STATES, isolated=words.isolated, theme=theme, invented=invented)
    return app


def _settings(app: Flask, hosts: Sequence[str], secret: bytes) -> None:
    app.config.update(
        SECRET_KEY=secret,
        TRUSTED_HOSTS=list(hosts),
        SESSION_COOKIE_NAME="hangtrue",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        WTF_CSRF_TIME_LIMIT=None,
        MAX_CONTENT_LENGTH=MOST_BODY,
        MAX_FORM_MEMORY_SIZE=MOST_BODY,
        MAX_FORM_PARTS=100,
        PROVIDE_AUTOMATIC_OPTIONS=False,
    )
    app.session_interface = Sessions()
    app.json.sort_keys = False  # type: ignore[attr-defined]  # the default provider has it, its base class does not
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    CSRFProtect(app)


def _static(app: Flask) -> None:
    stamp = stamp_of(STATIC)
    app.jinja_env.globals["asset"] = lambda name: f"/static/{stamp}/{name}"

    @app.get("/static/<version>/<path:name>")
    def static_file(version: str, name: str) -> Response:
        """A file under a name that changes with its content."""
        if version != stamp:
            abort(404)
        response = send_from_directory(STATIC, name)
        response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        return response


def stamp_of(folder: Path) -> str:
    """Twelve letters that change with any file of a folder."""
    whole = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            whole.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes())
    return whole.hexdigest()[:12]


def _guards(app: Flask, clock: Clock) -> None:
    @app.before_request
    def same_origin() -> None:
        """Refuse what another site sent; acts on nothing, since the host is only checked after it."""
        if request.method in READS:
            return
        site, origin = request.headers.get("Sec-Fetch-Site"), request.headers.get("Origin")
        own = request.host_url.rstrip("/")
        if site not in (None, "same-origin") or origin not in (None, own):
            abort(403)

    @app.after_request
    def headers(response: Response) -> Response:
        """What a browser is told with every answer."""
        for name, value in HEADERS.items():
            response.headers[name] = value
        response.headers.setdefault("Cache-Control", "no-store")
        response.headers["Date"] = format_datetime(clock(), usegmt=True)
        if request.is_secure:
            response.headers["Strict-Transport-Security"] = "max-age=31536000"
        return response

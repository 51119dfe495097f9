"""Refusals as answers: a sheet for a reader, JSON (RFC 9457) for a program, with a code that is logged."""

import logging
import secrets
import string
from dataclasses import dataclass

from flask import Flask, Response, jsonify, render_template, request
from werkzeug.exceptions import HTTPException, InternalServerError

from dashboards.pages.ours import Sheet
from server.errors import (
    AlertClosedError,
    HangtrueError,
    OutOfRangeError,
    UnknownAlertError,
    UnknownChannelError,
    UnknownDoorError,
    UnknownNodeError,
    WordsNeededError,
)
from server.trials.refusals import UnknownTrialError

log = logging.getLogger("hangtrue.pages")

STATUSES: dict[type[HangtrueError], int] = {
    UnknownDoorError: 404,
    UnknownAlertError: 404,
    UnknownChannelError: 404,
    UnknownNodeError: 404,
    UnknownTrialError: 404,
    AlertClosedError: 409,
    WordsNeededError: 400,
    OutOfRangeError: 422,
}
HEADS = {
    400: ("That can’t be used", "What was sent can’t be used as it came."),
    403: ("Not from there", "This came from another site, or from a form that is no longer good."),
    404: ("No such sheet", "Nothing is kept under that address."),
    405: ("Not done that way", "This address is read, not written to, or the other way round."),
    409: ("Ended already", "What is closed stays as it ended."),
    413: ("Too large", "More was sent than a form here can be."),
    422: ("That can’t be used", "What was asked can’t be answered as it came."),
    500: ("It went wrong here", "The page could not be drawn. The fault is here, not in what you asked."),
    503: ("Not just now", "The service does not say that it is well."),
}
LETTERS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """What was asked, what is wrong, one way on."""

    status: int
    head: str
    say: str
    detail: str
    asked: str
    needed: str
    came: str
    code: str
    way: str = "/"
    way_words: str = "See the doors"


def register(app: Flask) -> None:
    """Answer every refusal and every fault of `app` here."""
    app.register_error_handler(HangtrueError, refused)
    app.register_error_handler(HTTPException, stopped)
    app.register_error_handler(Exception, failed)


def refused(error: HangtrueError) -> Response:
    """A refusal of ours."""
    status = next((code for kind, code in STATUSES.items() if isinstance(error, kind)), 422)
    refusal = _refusal(status, asked=error.asked, needed=error.needed, came=error.came, detail=f"{error}.")
    log.info("refused %s %s %s: %s", refusal.code, request.method, _path(), error)
    return answer(refusal)


def stopped(error: HTTPException) -> Response:
    """A refusal of the framework: no such address, another method, a form without its token."""
    if isinstance(error, InternalServerError) and error.original_exception:
        return failed(error.original_exception)
    status = error.code or 500
    own = error.description if status == 400 and error.__class__.__name__ == "BadRequest" else None
    say = own if own and not own.startswith("The browser") else None
    refusal = _refusal(status, detail=say)
    log.info("stopped %s %s %s: %s", refusal.code, request.method, _path(), status)
    response = answer(refusal)
    for name, value in error.get_headers():
        if name.lower() in ("allow", "retry-after"):
            response.headers[name] = value
    return response


def failed(error: BaseException) -> Response:
    """A fault of ours: the log has all of it, the page its code alone."""
    refusal = _refusal(500)
    log.error("failed %s %s %s", refusal.code, request.method, _path(), exc_info=error)
    return answer(refusal)


def _path() -> str:
    """The address that was asked, for the log: of a feed without the word that opens it."""
    return "/feed/\N{HORIZONTAL ELLIPSIS}" if request.path.startswith("/feed/") else request.path


def answer(refusal: Refusal) -> Response:
    """The refusal as a sheet, or as JSON where a program asked."""
    if request.path.startswith(("/api/", "/figures/")):
        response = jsonify(
            type="about:blank",
            title=refusal.head,
            status=refusal.status,
            detail=refusal.detail,
            asked=refusal.asked,
            needed=refusal.needed,
            came=refusal.came,
            code=refusal.code,
        )
        response.mimetype = "application/problem+json"
    else:
        frame = Sheet(title=refusal.head, name=refusal.head, nav="", drawn="", last_heard=None, standing=0)
        response = Response(
            render_template("refusal.html", sheet=frame, refusal=refusal), mimetype="text/html"
        )
    response.status_code = refusal.status
    return response


def _refusal(
    status: int, *, asked: str | None = None, needed: str = "", came: str = "", detail: str | None = None
) -> Refusal:
    head, usual = HEADS.get(status, HEADS[500] if status >= 500 else HEADS[400])
    return Refusal(
        status=status,
        head=head,
        say=usual if asked or not detail else detail,
        detail=words_of(detail) if detail else usual,
        asked=asked or f"{request.method} {request.path[:120]}",
        needed=needed,
        came=came,
        code="".join(secrets.choice(string.ascii_uppercase) for _ in range(LETTERS)),
        way="/alerts" if request.path.startswith("/alerts") and status != 404 else "/",
        way_words="Back to the alerts"
        if request.path.startswith("/alerts") and status != 404
        else "See the doors",
    )


def words_of(text: str) -> str:
    """A refusal's sentence with a capital."""
    return text[:1].upper() + text[1:]

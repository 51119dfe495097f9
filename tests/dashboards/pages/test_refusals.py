"""Refusals and faults as answers."""

import logging
import re

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import Engine

from dashboards.pages.refusals import words_of
from tests.dashboards.conftest import HOST, app_over


def test_a_fault_is_a_sheet_with_a_code_that_the_log_has(
    two_doors: Engine, caplog: pytest.LogCaptureFixture
) -> None:
    app: Flask = app_over(two_doors)

    @app.get("/fault")
    def fault() -> str:
        raise RuntimeError("secret path /var/lib/yard.db")

    with caplog.at_level(logging.ERROR, logger="hangtrue.pages"):
        answer = app.test_client().get("/fault", base_url=HOST)
    page = answer.get_data(as_text=True)
    code = re.search(r"<dd>([A-Z]{8})</dd>", page)
    assert answer.status_code == 500
    assert code is not None
    assert "secret path" not in page
    assert "Traceback" not in page
    assert code[1] in caplog.text
    assert "secret path" in caplog.text


def test_a_program_gets_a_problem(client: FlaskClient) -> None:
    answer = client.get("/api/v1/doors/saltmarsh-yard/west", base_url=HOST)
    told = answer.get_json()
    assert (answer.status_code, answer.mimetype) == (404, "application/problem+json")
    assert set(told) == {"type", "title", "status", "detail", "asked", "needed", "came", "code"}
    assert "saltmarsh-yard/west" in told["came"]
    assert re.fullmatch("[A-Z]{8}", told["code"])


@pytest.mark.parametrize(
    "path", ["/nowhere", "/doors/../../etc/passwd", "/doors/%3Cscript%3E/x", "/static/x/y"]
)
def test_an_address_of_nothing_is_a_sheet(client: FlaskClient, path: str) -> None:
    answer = client.get(path, base_url=HOST)
    page = answer.get_data(as_text=True)
    assert answer.status_code == 404
    assert "<h1>" in page
    assert "<script>x" not in page
    assert page.count('class="btn solid"') == 1


def test_a_sentence_begins_with_a_capital() -> None:
    assert words_of("find door: needs one") == "Find door: needs one"

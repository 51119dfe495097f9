"""The API's description, OpenAPI 3.1, made from the models."""

from importlib.metadata import PackageNotFoundError, version
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from dashboards.pages.models import CompareOut, DoorsOut, DoorWholeOut, HealthOut, ProblemOut, ReadingsOut

JSON, PROBLEM = "application/json", "application/problem+json"
MODELS: tuple[type[BaseModel], ...] = (DoorsOut, DoorWholeOut, CompareOut, ReadingsOut, ProblemOut, HealthOut)
READINGS_MOST = 100_000
READINGS_USUAL = 1000


def description() -> dict[str, Any]:
    """The whole description as a JSON value."""
    _, schemas = models_json_schema(
        [(model, "serialization") for model in MODELS], ref_template="#/components/schemas/{model}"
    )
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "hangtrue",
            "version": _version(),
            "description": "Doors, and what is said of them.",
        },
        "paths": {
            "/api/v1/doors": {"get": _get("doors", "Every door", DoorsOut, [])},
            "/api/v1/doors/{site}/{name}": {
                "get": _get(
                    "door", "One door", DoorWholeOut, [_path("site"), _path("name")], refuses=("404",)
                )
            },
            "/api/v1/compare": {
                "get": _get("compare", "Two doors", CompareOut, _compared(), refuses=("404", "422"))
            },
            "/api/v1/readings": {
                "get": _get(
                    "readings", "Readings of a channel", ReadingsOut, _asked(), refuses=("400", "404", "422")
                )
            },
            "/healthz": {"get": _health()},
        },
        "components": {"schemas": schemas["$defs"]},
    }


def _get(
    name: str,
    summary: str,
    model: type[BaseModel],
    parameters: list[dict[str, Any]],
    refuses: tuple[str, ...] = (),
) -> dict[str, Any]:
    answers = {"200": _answer("Told.", model, JSON)}
    answers |= {status: _answer("Refused, with the reason.", ProblemOut, PROBLEM) for status in refuses}
    return {"operationId": name, "summary": summary, "parameters": parameters, "responses": answers}


def _health() -> dict[str, Any]:
    answers = {"200": _answer("Well.", HealthOut, JSON), "503": _answer("Not well.", HealthOut, JSON)}
    return {"operationId": "healthz", "summary": "Whether the service is well", "responses": answers}


def _answer(words: str, model: type[BaseModel], kind: str) -> dict[str, Any]:
    schema = {"$ref": f"#/components/schemas/{model.__name__}"}
    return {"description": words, "content": {kind: {"schema": schema}}}


def _path(name: str) -> dict[str, Any]:
    return {"name": name, "in": "path", "required": True, "schema": {"type": "string"}}


def _compared() -> list[dict[str, Any]]:
    wanted = {
        "a": "site/name of a door; without it the first by name",
        "b": "site/name of the other",
        "joint": "a joint that both watch, or droop; without it the one declared, or that carries most",
        "band": "the least difference that would change what is built, a year",
    }
    schema = {"type": "string"}
    return [
        {"name": name, "in": "query", "required": False, "description": text, "schema": schema}
        for name, text in wanted.items()
    ]


def _asked() -> list[dict[str, Any]]:
    moment = {"type": "string", "description": "ISO 8601 with a zone, or milliseconds since 1970"}
    limit = {"type": "integer", "minimum": 1, "maximum": READINGS_MOST, "default": READINGS_USUAL}
    wanted: list[tuple[str, bool, dict[str, Any]]] = [
        ("channel", True, {"type": "string"}),
        ("from", False, moment),
        ("to", False, moment),
        ("limit", False, limit),
    ]
    return [{"name": name, "in": "query", "required": need, "schema": kind} for name, need, kind in wanted]


def _version() -> str:
    try:
        return version("hangtrue")
    except PackageNotFoundError:
        return "0"

"""Checked by openapi-spec-validator and openapi-schema-validator, which are not ours."""

from flask.testing import FlaskClient
from openapi_schema_validator import OAS31Validator
from openapi_spec_validator import validate

from dashboards.pages.openapi import description
from tests.dashboards.conftest import HOST

PATHS = {
    "/api/v1/doors": "DoorsOut",
    "/api/v1/doors/saltmarsh-yard/north": "DoorWholeOut",
    "/api/v1/doors/saltmarsh-yard/south": "DoorWholeOut",
    "/api/v1/readings?channel=saltmarsh-yard/north/lock-hinge-top": "ReadingsOut",
    "/api/v1/readings?channel=nothing": "ProblemOut",
    "/healthz": "HealthOut",
}


def test_the_description_is_openapi(client: FlaskClient) -> None:
    told = client.get("/api/v1/openapi.json", base_url=HOST).get_json()
    assert told == description()
    validate(told)


def test_every_answer_is_as_described(client: FlaskClient) -> None:
    schemas = description()["components"]["schemas"]
    for path, name in PATHS.items():
        schema = {"$ref": f"#/components/schemas/{name}", "components": {"schemas": schemas}}
        told = client.get(path, base_url=HOST).get_json()
        assert list(OAS31Validator(schema).iter_errors(told)) == [], path


def test_every_path_described_is_there(client: FlaskClient) -> None:
    rules = {
        rule.rule.replace("<", "{").replace(">", "}") for rule in client.application.url_map.iter_rules()
    }
    described = set(description()["paths"])
    assert described <= rules
    api = {rule for rule in rules if rule.startswith("/api/")} - {"/api/v1/openapi.json"}
    assert api <= described

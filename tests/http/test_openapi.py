"""The API's description is valid OpenAPI 3.1, and what it describes never makes the service fail.

Outside checks: openapi-spec-validator (the published OpenAPI 3.1 meta-schema) and schemathesis, which makes
requests from the description and sends them to the running service.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import httpx
import msgspec
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from jsonschema import Draft202012Validator, FormatChecker
from openapi_spec_validator import OpenAPIV31SpecValidator, validate
from referencing import Registry
from referencing.jsonschema import DRAFT202012
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from service.access.rules import Role
from service.contract.cards import ManifestPart, manifest_digest
from service.described import SENT_AS_BYTES, TAGGED
from tests.live_service import Running, make_site

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]
EXAMPLES = Path(__file__).parents[2] / "service" / "examples.json"

ROLES = [str(role) for role in Role]


def description(service: Running) -> dict[str, object]:
    answer = service.client().get("/api/v1/schema/openapi.json")
    answer.raise_for_status()
    found: dict[str, object] = answer.json()
    return found


def test_the_description_is_valid_openapi_3_1(service: Running) -> None:
    found = description(service)
    assert str(found["openapi"]).startswith("3.1")
    validate(found, cls=OpenAPIV31SpecValidator)


def operations(found: dict[str, Any]) -> dict[str, dict[str, Any]]:
    paths = found["paths"]
    return {f"{method} {path}": told for path, item in paths.items() for method, told in item.items()}


def test_every_example_has_the_shape_it_is_an_example_of(service: Running) -> None:
    """Outside check: the jsonschema library (JSON Schema 2020-12, the dialect of OpenAPI 3.1)."""
    found: dict[str, Any] = description(service)
    whole = {"$id": "urn:description", "components": found["components"]}
    registry = Registry().with_resource("urn:description", DRAFT202012.create_resource(whole))
    checked = 0
    for name, told in operations(found).items():
        bodies = [told.get("requestBody", {}), *told["responses"].values()]
        for media in (media for body in bodies for media in body.get("content", {}).values()):
            for title, example in media.get("examples", {}).items():
                pointed = json.loads(json.dumps(media["schema"]).replace('"#/', '"urn:description#/'))
                check = Draft202012Validator(pointed, registry=registry, format_checker=FormatChecker())
                assert [fault.message for fault in check.iter_errors(example["value"])] == [], (name, title)
                checked += 1
    assert checked >= 18
    assert set(json.loads(EXAMPLES.read_text())) <= operations(found).keys()


def test_the_example_of_a_commit_closes_the_example_of_a_part() -> None:
    held = json.loads(EXAMPLES.read_text())
    part = held["put /api/v1/card-returns/{return_id}/parts/{part}"]["request"]["one file"]["value"]
    commit = held["post /api/v1/card-returns/{return_id}/commit"]["request"]["whole card"]["value"]
    (file,) = msgspec.convert(part, ManifestPart).files
    assert commit["manifestSha256"] == manifest_digest([(file.path.encode(), file.sha256, file.size)])


def test_conditional_requests_and_pages_are_described(service: Running) -> None:
    told = operations(description(service))
    headers = {
        name: {part["name"] for part in one.get("parameters", []) if part["in"] == "header"}
        for name, one in told.items()
    }
    assert {name for name, held in headers.items() if "If-Match" in held} == {
        "put /api/v1/accounts/{account_id}",
        "put /api/v1/sites/{code}",
        "put /api/v1/sites/{code}/people",
        "put /api/v1/sites/{code}/retention",
        "put /api/v1/campaigns/{campaign_id}",
        "put /api/v1/plan-revisions/{revision_id}/document",
    }
    # What can be edited is read with its ETag, and asked about by If-None-Match.
    for name in (
        "accounts/{account_id}",
        "sites/{code}",
        "sites/{code}/people",
        "sites/{code}/retention",
        "plan-revisions/{revision_id}/document",
    ):
        answer = told[f"get /api/v1/{name}"]
        assert "If-None-Match" in headers[f"get /api/v1/{name}"], name
        assert "ETag" in answer["responses"]["200"]["headers"]
        assert "304" in answer["responses"]
    campaign = told["get /api/v1/campaigns/{campaign_id}"]["responses"]
    assert "ETag" in campaign["200"]["headers"]
    assert "304" not in campaign
    assert "Link" in told["get /api/v1/units/{serial}/images"]["responses"]["200"]["headers"]
    # A name that is told for an operation that is not there would be told to nobody.
    assert told.keys() >= TAGGED | SENT_AS_BYTES


@pytest.mark.parametrize("name", ["sites", "accounts", "agents"])
def test_lists_send_the_link_that_is_described(service: Running, name: str) -> None:
    for site in ("LNK1", "LNK2"):
        service.agent_client(site)
        service.client_for(["auditor"], [site])
    answer = service.client_for(ROLES).get(f"/api/v1/{name}?limit=1")
    assert answer.headers["link"].endswith('rel="next"')
    assert "Link" in operations(description(service))[f"get /api/v1/{name}"]["responses"]["200"]["headers"]


def test_what_is_described_as_conditional_answers_304(service: Running) -> None:
    client = service.client_for(ROLES)
    make_site(service.settings, "ETG1")
    for path in ("/api/v1/plan-schema", "/api/v1/vocabulary", "/api/v1/sites/ETG1"):
        etag = client.get(path).headers["etag"]
        again = client.get(path, headers={"If-None-Match": etag})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", etag)


def test_every_operation_names_its_refusals_as_problem_json(service: Running) -> None:
    paths = description(service)["paths"]
    assert isinstance(paths, dict)
    for path, item in paths.items():
        for method, operation in item.items():
            if method not in {"get", "put", "post", "delete", "patch"} or not path.startswith("/api/"):
                continue
            refusals = {code: spec for code, spec in operation["responses"].items() if code >= "400"}
            assert "401" in refusals or operation.get("security") == [{}], f"{method} {path}"
            for code, spec in refusals.items():
                assert "application/problem+json" in spec.get("content", {}), f"{method} {path} {code}"


def test_what_is_refused_before_a_handler_is_asked_is_described(service: Running) -> None:
    """A body that is packed in another way or too long, and a path with an id that is none."""
    told = operations(description(service))
    client = service.client_for(ROLES)
    with_body = [name for name, one in told.items() if "requestBody" in one]
    assert len(with_body) > 20
    for name in with_body:
        method, path = name.split()
        answers = told[name]["responses"]
        assert {"413", "415"} <= answers.keys(), name
        if "_id}" in path:
            assert "404" in answers, name
            odd = re.sub(r"\{\w+_id\}", "no-id", path)
            assert client.request(method, re.sub(r"\{\w+\}", "1", odd), json={}).status_code == 404, name
    packed = client.put("/api/v1/sites/PCK", content=b"{}", headers={"Content-Encoding": "br"})
    long = client.put("/api/v1/sites/PCK", content=b" " * 10_000_001)
    assert (packed.status_code, long.status_code) == (415, 413)


@pytest.mark.parametrize("who", ["a person with every role", "an agent", "nobody"])
def test_no_generated_request_makes_the_service_fail(service: Running, who: str) -> None:
    """And every answer has a status, a media type and a shape that are described. Bounded: a few requests
    for each operation, sent to this machine only."""
    client = {
        "a person with every role": lambda: service.client_for(ROLES),
        "an agent": lambda: service.agent_client("SCH"),
        "nobody": service.client,
    }[who]()
    schema = schemathesis.openapi.from_dict(description(service))
    tried = 0
    for found in schema.get_all_operations():
        operation = found.ok()
        if "/sessions" in operation.path and operation.method == "delete":
            continue  # it ends the very session the others are tried with
        tried += 1
        _try(operation, client, 8 if who.startswith("a person") else 2)
    assert tried > 40


def _try(operation: schemathesis.schemas.APIOperation, client: httpx.Client, examples: int) -> None:
    @settings(
        max_examples=examples,
        database=None,
        deadline=None,
        derandomize=True,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy())
    def one(case: schemathesis.Case) -> None:
        response = case.call(
            base_url=str(client.base_url),
            headers={name: value for name, value in client.headers.items() if name == "authorization"},
            allow_redirects=False,
        )
        case.validate_response(response, checks=CHECKS)

    one()

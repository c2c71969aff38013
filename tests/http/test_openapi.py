"""The API's description is valid OpenAPI 3.1, and what it describes never makes the service fail.

Outside checks: openapi-spec-validator (the published OpenAPI 3.1 meta-schema) and schemathesis, which makes
requests from the description and sends them to the running service.
"""

from __future__ import annotations

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from openapi_spec_validator import OpenAPIV31SpecValidator, validate
from schemathesis.checks import not_a_server_error

from service.access.rules import Role
from tests.running import Running

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


def test_every_operation_names_its_refusals_as_problem_json(service: Running) -> None:
    paths = description(service)["paths"]
    assert isinstance(paths, dict)
    for path, item in paths.items():
        for method, operation in item.items():
            if method not in {"get", "put", "post", "delete", "patch"} or not path.startswith("/api/"):
                continue
            refusals = {code: spec for code, spec in operation["responses"].items() if code >= "400"}
            for code, spec in refusals.items():
                assert "application/problem+json" in spec.get("content", {}), f"{method} {path} {code}"


@pytest.mark.parametrize("who", ["a person with every role", "an agent", "nobody"])
def test_no_generated_request_makes_the_service_fail(service: Running, who: str) -> None:
    """Bounded: a few requests for each operation, sent to this machine only."""
    client = {
        "a person with every role": lambda: service.client_for(ROLES),
        "an agent": lambda: service.agent_client("SCH"),
        "nobody": service.client,
    }[who]()
    schema = schemathesis.openapi.from_dict(description(service))
    tried = 0
    for found in schema.get_all_operations():
        operation = found.ok()
        if operation.path.endswith("/sessions/current"):
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
        case.validate_response(response, checks=[not_a_server_error])

    one()

"""A body is decoded once and strictly: what the JSON says is what is kept, or it is refused."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.contract.wire import new_id
from tests.access.operations import held_but_refusals
from tests.live_service import Running

EXAMPLES = json.loads((Path(__file__).parents[2] / "service" / "examples.json").read_text())
REQUESTS = {
    f"{address}: {title}": (address, example["value"])
    for address, told in EXAMPLES.items()
    for title, example in told.get("request", {}).items()
    if isinstance(example["value"], dict)
}
TIME = re.compile(r"\d{4}-\d\d-\d\dT.*Z")


def twins(value: Any) -> Iterator[Any]:
    """What a lenient decoder takes for the same value, or for one of the same kind."""
    if isinstance(value, bool):
        yield from (int(value), str(value).lower())
    elif isinstance(value, int | float):
        yield str(value)
    elif isinstance(value, str) and TIME.match(value):
        yield from (0, 1_800_000_000, "1800000000")


def loosened(body: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """The body with one of its values in another type, and a JSON pointer to it."""
    for path, value in leaves(body, ()):
        for twin in twins(value):
            changed = copy.deepcopy(body)
            at: Any = changed
            for step in path[:-1]:
                at = at[step]
            at[path[-1]] = twin
            yield "/" + "/".join(map(str, path)), changed


def leaves(value: Any, path: tuple[Any, ...]) -> Iterator[tuple[tuple[Any, ...], Any]]:
    inside = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    if not isinstance(value, dict | list):
        yield path, value
    for step, inner in inside:
        yield from leaves(inner, (*path, step))


@pytest.mark.parametrize("name", REQUESTS)
def test_i8_no_body_is_taken_that_holds_another_type_than_the_route_says(service: Running, name: str) -> None:
    address, body = REQUESTS[name]
    method, path = address.split(" ")
    path = path.replace("{code}", "X1").replace("{part}", "1").replace("{digest}", "ab" * 32)
    path = re.sub(r"\{\w*id\}", str(new_id()), re.sub(r"\{(serial|build)\w*\}", "X1", path))
    client = service.client_for(["auditor"])
    before = held_but_refusals(service.settings)
    for pointer, loose in loosened(body):
        answer = client.request(method, path, json=loose)
        assert answer.status_code == 400, (pointer, answer.text)
        assert answer.json()["type"] == "urn:sightledger:problem:malformed"
        assert pointer in [error.get("path") for error in answer.json()["errors"]], answer.text
    assert held_but_refusals(service.settings) == before
    # The example itself has the shape: what becomes of it is another matter.
    asked: httpx.Response = client.request(method, path, json=body)
    assert "does not have the shape" not in asked.text


def test_the_examples_hold_values_of_each_kind() -> None:
    """The test above cannot pass for want of anything to loosen."""
    kinds = {type(value) for _, body in REQUESTS.values() for _, value in leaves(body, ())}
    loose = [pointer for _, body in REQUESTS.values() for pointer, _ in loosened(body)]
    assert {int, bool, str} <= kinds
    assert len(REQUESTS) >= 12
    assert len(loose) >= 20
    assert "/files/0/readAt" in loose

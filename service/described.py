"""What the framework does not tell in the API's description: conditional requests, pages, examples."""

from __future__ import annotations

from http import HTTPStatus
from importlib.resources import files
from typing import Any

import msgspec
from litestar.openapi.plugins import JsonRenderPlugin

from service.http import AnyRequest

Described = dict[str, Any]

NEXT_PAGE = {
    "description": 'the next page, rel="next" (RFC 8288); absent after the last one',
    "schema": {"type": "string"},
}
ENTITY_TAG = {"description": "the version that was answered (RFC 9110 8.8.3)", "schema": {"type": "string"}}
# These operations are conditional too, but described by hand because the answer is bytes.
SENT_AS_BYTES = {"get /api/v1/plan-revisions/{revision_id}/document", "get /api/v1/plan-schema"}
# Answer a campaign with the ETag that an edit of it needs; its counts move without it, so never 304.
TAGGED = {
    "get /api/v1/campaigns/{campaign_id}",
    "put /api/v1/campaigns/{campaign_id}/units",
    "post /api/v1/campaigns/{campaign_id}/closing",
}
# One record whose long list comes in pages.
PAGED = {"get /api/v1/images/{digest}"}
NOT_MODIFIED = {
    "description": "The caller holds this version already.",
    "headers": {"ETag": ENTITY_TAG},
}


class DescribedJson(JsonRenderPlugin):
    """The OpenAPI description as JSON, with `describe` applied."""

    def render(self, request: AnyRequest, openapi_schema: Described) -> bytes:
        return self.render_json(request, describe(msgspec.json.decode(msgspec.json.encode(openapi_schema))))


def describe(openapi: Described) -> Described:
    """Add to the description (in place) the headers that the statuses and bodies of an operation imply,
    and the examples of examples.json."""
    examples: Described = msgspec.json.decode((files("service") / "examples.json").read_bytes())
    for path, item in openapi["paths"].items():
        for method, operation in item.items():
            if "responses" in operation:
                _tell_refusals(path, operation)
                _tell_headers(operation)
                if f"{method} {path}" in SENT_AS_BYTES:
                    _tell_conditional(operation)
                if f"{method} {path}" in PAGED:
                    operation["responses"]["200"].setdefault("headers", {})["Link"] = NEXT_PAGE
                if f"{method} {path}" in TAGGED:
                    operation["responses"]["200"].setdefault("headers", {})["ETag"] = ENTITY_TAG
                _tell_examples(operation, examples.get(f"{method} {path}", {}))
    return openapi


def _tell_refusals(path: str, operation: Described) -> None:
    """Refusals before a handler is called: a body too long or wrongly packed, an id that is none."""
    answers = operation["responses"]
    like = answers.get("400") or answers.get("401")
    statuses = [HTTPStatus.REQUEST_ENTITY_TOO_LARGE, HTTPStatus.UNSUPPORTED_MEDIA_TYPE]
    wanted = statuses if "requestBody" in operation else []
    for status in [*wanted, *([HTTPStatus.NOT_FOUND] if "_id}" in path else [])]:
        answers.setdefault(str(int(status)), {**like, "description": status.phrase})


def _tell_headers(operation: Described) -> None:
    answers = operation["responses"]
    answer = answers.get("200", {})
    body = answer.get("content", {}).get("application/json", {})
    schema = body.get("schema", {})
    if schema.get("$ref", "").rpartition("/")[2].startswith("Page_"):
        answer.setdefault("headers", {})["Link"] = NEXT_PAGE
    if "412" in answers:
        description = "the ETag that the change was made on; 428 tells that it is needed"
        _parameter(operation, "If-Match", description)
        answer.setdefault("headers", {})["ETag"] = ENTITY_TAG
    if "202" in answers:
        description = (
            "`respond-async, wait=SECONDS` (RFC 7240): 202 when it takes longer, and the work goes on"
        )
        _parameter(operation, "Prefer", description)
    # A handler that may answer 304 has a body or none.
    choices = schema.get("oneOf", [])
    if {"type": "null"} in choices:
        kept = [choice for choice in choices if choice != {"type": "null"}]
        body["schema"] = kept[0] if len(kept) == 1 else {**schema, "oneOf": kept}
        _tell_conditional(operation)


def _tell_conditional(operation: Described) -> None:
    operation["responses"]["200"].setdefault("headers", {})["ETag"] = ENTITY_TAG
    operation["responses"]["304"] = NOT_MODIFIED
    _parameter(operation, "If-None-Match", "the ETag of the version the caller holds; 304 when it stands")


def _parameter(operation: Described, name: str, description: str) -> None:
    header = {"name": name, "in": "header", "required": False, "schema": {"type": "string"}}
    operation.setdefault("parameters", []).append({**header, "description": description})


def _tell_examples(operation: Described, examples: Described) -> None:
    if "request" in examples:
        operation["requestBody"]["content"]["application/json"]["examples"] = examples["request"]
    for status, shown in examples.get("answers", {}).items():
        (media,) = operation["responses"][status]["content"].values()
        media["examples"] = shown

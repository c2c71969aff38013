"""Holds plan documents against the published schema, and says of each fault what to do."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from reprlib import Repr
from typing import Any

from jsonschema import Draft202012Validator, validators
from jsonschema.exceptions import ValidationError

from service.contract.plans import PlanFinding
from service.plans.plan_text import Read, step

SCHEMA_FILE = Path(__file__).with_name("plan.schema.json")


def schema_text() -> bytes:
    """The published JSON Schema, as shipped."""
    return SCHEMA_FILE.read_bytes()


@cache
def _validator() -> Any:
    schema = json.loads(schema_text())
    parts = schema.pop("$defs")
    extended: Any = validators.extend(Draft202012Validator, {"uniqueItems": _unique})  # type: ignore[no-untyped-call]
    return extended(_in_place(schema, parts))


def _in_place(schema: Any, parts: dict[str, Any]) -> Any:
    """The schema with each part written where it is named: following a name takes the library longer than all
    the rest."""
    if isinstance(schema, list):
        return [_in_place(entry, parts) for entry in schema]
    if not isinstance(schema, dict):
        return schema
    named = schema.get("$ref", "").removeprefix("#/$defs/")
    whole = {**schema, **parts[named]} if named else schema
    return {name: _in_place(entry, parts) for name, entry in whole.items() if name != "$ref"}


def _unique(_validator: Any, wanted: bool, instance: Any, _schema: Any) -> Iterator[ValidationError]:
    """Lists whose entries must differ are of text here; the library compares entries of mixed types each with
    each."""
    if wanted and isinstance(instance, list):
        texts = [entry for entry in instance if isinstance(entry, str)]
        if len(set(texts)) < len(texts):
            yield ValidationError("an entry stands twice")


def schema_findings(source: Read) -> Iterator[PlanFinding]:
    incomplete: set[str] = set()
    for error in _validator().iter_errors(source.data):
        path = ""
        for part in error.absolute_path:
            path = step(path, part)
        if error.validator == "additionalProperties":
            yield from _unknown_members(source, error, path)
        elif error.validator != "required" or path not in incomplete:
            # The library reports each missing member separately; one finding names them all.
            if error.validator == "required":
                incomplete.add(path)
            yield source.finding(path, _explained(error))


def _unknown_members(source: Read, error: ValidationError, path: str) -> Iterator[PlanFinding]:
    schema: Any = error.schema
    instance: Any = error.instance
    known = schema["properties"]
    for name in instance:
        if name not in known:
            message = f"There is no member {name!r} here. Take it out, or use one of: {', '.join(known)}."
            yield source.finding(step(path, name), message)


def _explained(error: ValidationError) -> str:
    value: Any = error.instance
    expected: Any = error.validator_value
    schema: Any = error.schema
    shown = _shown(value)
    match error.validator:
        case "required":
            missing = [name for name in expected if name not in value]
            ends = "is missing here. Add it." if len(missing) == 1 else "are missing here. Add them."
            return f"{', '.join(missing)} {ends}"
        case "type":
            names = " or ".join([expected] if isinstance(expected, str) else expected)
            hint = " Put quotes around it." if "string" in names and isinstance(value, int | float) else ""
            return f"{shown} is not of type {names}.{hint or ' Give a value of that type.'}"
        case "const":
            return f"{shown} is not {expected!r}. Write {expected!r}."
        case "enum":
            return f"{shown} is none of: {', '.join(map(str, expected))}. Use one of these."
        case "pattern":
            form = schema.get("description", f"text like {expected}")
            return f"{shown} is not written as it has to be. Use: {form}"
        case "minimum" | "maximum":
            return f"{shown} is out of range: the {error.validator} is {expected}. Correct the figure."
        case "minLength" | "minItems" | "minProperties":
            return f"Nothing is given here. Give at least {expected}."
        case "maxLength" | "maxItems":
            return f"This is too long: at most {expected} are taken. Shorten it."
        case "uniqueItems":
            return f"An entry stands twice in {shown}. Take one out."
        case _:
            return f"{error.message}. Correct it."


_SHORT = Repr()
_SHORT.maxlevel, _SHORT.maxdict, _SHORT.maxlist, _SHORT.maxstring, _SHORT.maxother = 3, 10, 20, 200, 200


def _shown(value: Any) -> str:
    """The value as it is written in Python, cut short; a large one is never written out."""
    written = _SHORT.repr(value[:200] if isinstance(value, str) else value)
    return written if len(written) <= 60 else f"{written[:60]}..."

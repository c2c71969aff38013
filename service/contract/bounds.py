"""Values from outside held against a Struct whose members say in words what they admit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec


def refused(shape: type[msgspec.Struct], given: Mapping[str, object]) -> dict[str, dict[str, Any]]:
    """Those of `given` that the members of `shape` of the same (encoded) name do not admit, each with the
    JSON Schema of what they do admit: its `description` says it in words. Numbers may be given as texts.
    """
    schemas = {}
    for member in msgspec.structs.fields(shape):
        if member.encode_name in given:
            try:
                msgspec.convert(given[member.encode_name], member.type, strict=False)
            except msgspec.ValidationError:
                schemas[member.encode_name] = msgspec.json.schema(member.type)
    return schemas

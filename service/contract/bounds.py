"""Values from outside held against a type that says in words what it admits."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, get_args

import msgspec


def admitted(wanted: Any, raw: object, made: Callable[[type, Any], Any] | None = None) -> Any:
    """`raw`, a text or a decoded value, as the type `wanted`; `made` builds what msgspec does not know.

    Raises ValueError with what `wanted` says of itself: the description of its `msgspec.Meta`.
    """
    try:
        return msgspec.convert(raw, wanted, strict=False, dec_hook=made)
    except msgspec.ValidationError as error:
        raise ValueError(words(wanted)) from error


def words(wanted: Any) -> str:
    """What an `Annotated` type admits, as its `msgspec.Meta` describes it."""
    described = [part.description for part in get_args(wanted)[1:] if isinstance(part, msgspec.Meta)]
    return next(filter(None, described))

"""Reads the queries and forms sent to pages; a field that was left empty counts as absent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, TypeVar
from urllib.parse import parse_qsl
from uuid import UUID
from zoneinfo import ZoneInfo

import msgspec

from service.errors import Malformed
from service.http import AnyRequest
from service.records.store.history import Wanted
from service.web import rules

T = TypeVar("T")

LONGEST = 200
LONGEST_FORM = 128 * 1024


def text_field(query: Mapping[str, str], name: str) -> str | None:
    """A field's text without spaces around it; None when it is empty or absent."""
    value = query.get(name, "").strip()
    if len(value) > LONGEST or "\0" in value:
        raise _unreadable(name, value)
    return value or None


def id_field(query: Mapping[str, str], name: str) -> UUID | None:
    value = text_field(query, name)
    try:
        return None if value is None else UUID(value)
    except ValueError as error:
        raise _unreadable(name, value) from error


def day_field(query: Mapping[str, str], name: str) -> date | None:
    value = text_field(query, name)
    try:
        day = None if value is None else date.fromisoformat(value)
    except ValueError as error:
        raise _unreadable(name, value) from error
    if day is not None and not 1900 <= day.year <= 9998:
        raise _unreadable(name, value)
    return day


def number_field(query: Mapping[str, str], name: str, most: int) -> int | None:
    value = text_field(query, name)
    if value is None:
        return None
    if not (value.isascii() and value.isdigit() and 1 <= int(value) <= most):
        raise _unreadable(name, value)
    return int(value)


def _unreadable(name: str, value: str | None) -> Malformed:
    return Malformed(
        f"The field {name} holds {(value or '')[:80]!r}, which cannot be read.",
        next_step="Go back and choose again, or leave the field empty.",
    )


async def sent_form(
    request: AnyRequest, most: int = 20, longest: int = LONGEST_FORM
) -> list[tuple[str, str]]:
    """A form's fields in the order sent, at most `most` of them in `longest` bytes, as
    application/x-www-form-urlencoded (WHATWG URL 5.1); raises Malformed.

    The framework's own reader takes any number of fields, replaces what is no UTF-8, and keeps the last
    thousand bodies in memory, passwords too.
    """
    raw = await request.body()
    try:
        if len(raw) > longest:
            raise ValueError
        fields = parse_qsl(raw.decode("utf-8"), keep_blank_values=True, max_num_fields=most, errors="strict")
    except ValueError as error:
        raise unreadable_form() from error
    if any("\0" in value for _, value in fields):
        raise unreadable_form()
    return fields


def filled_in(shape: type[T], fields: Mapping[str, Any], *, consequence: str, next_step: str) -> T:
    """A form's fields as `shape`; raises Malformed that names the field at fault."""
    try:
        return msgspec.convert(fields, shape)
    except msgspec.ValidationError as error:
        raise Malformed(
            f"The form is not filled in: {error}.", consequence=consequence, next_step=next_step
        ) from error


def unreadable_form() -> Malformed:
    return Malformed("The form cannot be read.", next_step="Open the page again.")


@dataclass(frozen=True, slots=True)
class Chosen:
    """The filters of a unit's images, as a person set them; days are calendar days at the site."""

    location: str | None
    element: int | None
    condition: str | None
    evaluation: str | None
    since: date | None
    until: date | None

    def wanted(self, zone: ZoneInfo) -> Wanted:
        return Wanted(
            location=self.location,
            element=self.element,
            condition=self.condition,
            evaluation=self.evaluation,
            since=None if self.since is None else rules.start_of(self.since, zone),
            until=None if self.until is None else rules.end_of(self.until, zone),
        )

    def shown(self) -> dict[str, object]:
        """The filters that are set, to be repeated in links."""
        named = {name: getattr(self, name) for name in self.__slots__}
        return {name: value for name, value in named.items() if value is not None}


def chosen(query: Mapping[str, str]) -> Chosen:
    return Chosen(
        location=text_field(query, "location"),
        element=number_field(query, "element", 100_000),
        condition=text_field(query, "condition"),
        evaluation=text_field(query, "evaluation"),
        since=day_field(query, "since"),
        until=day_field(query, "until"),
    )

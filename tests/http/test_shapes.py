"""Conditional requests, page cursors and Link headers as pure functions."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime
from typing import Any
from urllib.parse import parse_qs, urlsplit
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st
from litestar.testing import RequestFactory

from service.contract.wire import new_id
from service.errors import ConditionMissing, Malformed, Stale
from service.http import (
    AnyRequest,
    decode_cursor,
    encode_cursor,
    entity_tags,
    etag_of,
    link_next,
    not_modified,
    precondition,
)


def request(path: str = "/api/v1/things", **headers: str) -> AnyRequest:
    return RequestFactory().get(
        path, headers={name.replace("_", "-"): text for name, text in headers.items()}
    )


# RFC 9110 8.8.3: the three examples of entity tags.
@pytest.mark.parametrize("tag", ['"xyzzy"', 'W/"xyzzy"', '""'])
def test_entity_tags_of_rfc_9110_are_read(tag: str) -> None:
    assert entity_tags(tag, "If-Match") == [tag]


# RFC 9110 13.1.1 and 13.1.2: examples of the header fields.
@pytest.mark.parametrize(
    ("header", "tags"),
    [
        ('"xyzzy", "r2d2xxxx", "c3piozzzz"', ['"xyzzy"', '"r2d2xxxx"', '"c3piozzzz"']),
        ('W/"xyzzy", W/"r2d2xxxx", W/"c3piozzzz"', ['W/"xyzzy"', 'W/"r2d2xxxx"', 'W/"c3piozzzz"']),
        ("*", ["*"]),
        ('"with, comma"', None),
        ('"a,b",, "c"', ['"a,b"', '"c"']),
    ],
)
def test_lists_of_rfc_9110_are_read(header: str, tags: list[str] | None) -> None:
    if tags is None:  # a space is no etagc (RFC 9110 8.8.3)
        with pytest.raises(Malformed):
            entity_tags(header, "If-None-Match")
    else:
        assert entity_tags(header, "If-None-Match") == tags


@pytest.mark.parametrize("header", ["xyzzy", '"xyzzy', "", ",", '*, "a"', 'w/"xyzzy"', "W/xyzzy", '"a" "b"'])
def test_malformed_tags_are_refused(header: str) -> None:
    with pytest.raises(Malformed):
        precondition(request(if_match=header))('"xyzzy"')
    with pytest.raises(Malformed):
        not_modified(request(if_none_match=header), '"xyzzy"')


# RFC 9110 8.8.3.2: the table of comparisons; If-Match compares strongly, If-None-Match weakly.
@pytest.mark.parametrize(
    ("first", "second", "strong", "weak"),
    [
        ('W/"1"', 'W/"1"', False, True),
        ('W/"1"', 'W/"2"', False, False),
        ('W/"1"', '"1"', False, True),
        ('"1"', '"1"', True, True),
    ],
)
def test_comparison_table_of_rfc_9110(first: str, second: str, strong: bool, weak: bool) -> None:
    assert not_modified(request(if_none_match=first), second) is weak
    if strong:
        precondition(request(if_match=first))(second)
    else:
        with pytest.raises(Stale):
            precondition(request(if_match=first))(second)


def test_without_if_match_a_change_is_refused() -> None:
    with pytest.raises(ConditionMissing):
        precondition(request())('"xyzzy"')


def test_star_matches_what_is_there() -> None:
    precondition(request(if_match="*"))('"xyzzy"')
    assert not_modified(request(if_none_match="*"), '"xyzzy"')


def test_etags_tell_values_apart_and_are_well_formed() -> None:
    assert etag_of({"a": 1}) == etag_of({"a": 1}) != etag_of({"a": 2})
    assert entity_tags(etag_of(1), "ETag") == [etag_of(1)]


@given(st.tuples(st.datetimes(timezones=st.just(UTC)), st.uuids()))
def test_cursor_round_trip(key: tuple[datetime, UUID]) -> None:
    assert decode_cursor(encode_cursor(key), tuple[datetime, UUID]) == key


@given(st.text())
def test_foreign_cursors_are_refused_or_read_never_an_error(text: str) -> None:
    with suppress(Malformed):
        decode_cursor(text, tuple[datetime, UUID])


@pytest.mark.parametrize("cursor", ["", "!", "bm90IGpzb24", encode_cursor([1, 2]), encode_cursor("x") + "="])
def test_bad_cursors_are_refused(cursor: str) -> None:
    with pytest.raises(Malformed):
        decode_cursor(cursor, tuple[datetime, UUID])


def test_no_cursor_is_the_first_page() -> None:
    assert decode_cursor(None, str) is None
    assert link_next(request(), None) == {}


@given(
    st.dictionaries(st.text(min_size=1).filter(lambda name: name != "cursor"), st.text()), st.text(min_size=1)
)
def test_link_next_keeps_the_query_and_replaces_the_cursor(query: dict[str, str], serial: str) -> None:
    """RFC 8288 3: `<URI-Reference>; rel="next"`."""
    asked = RequestFactory().get("/api/v1/units", query_params={**query, "cursor": "old"})
    header = link_next(asked, serial)["Link"]
    assert header.startswith("<")
    assert header.endswith('>; rel="next"')
    target = urlsplit(header[1 : header.index(">")])
    assert target.path == "/api/v1/units"
    found: dict[str, Any] = parse_qs(target.query, keep_blank_values=True)
    assert decode_cursor(found.pop("cursor")[0], str) == serial
    assert found == {name: [text] for name, text in query.items()}


def test_ids_made_here_are_version_7() -> None:
    """RFC 9562 5.7."""
    assert new_id().version == 7

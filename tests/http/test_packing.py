"""Packed bodies: what comes out is what went in, and a small body that unpacks without end is turned away."""

from __future__ import annotations

import asyncio
import gzip
import json
from collections.abc import AsyncGenerator

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from litestar.exceptions.http_exceptions import RequestEntityTooLarge

from service.bodies import LONGEST_BODY
from service.contract.wire import new_id
from service.errors import Malformed
from service.packing import unpacked
from tests.http.problems import problem_of
from tests.intake.factories import file_of, jpeg
from tests.live_service import Running

# A gzip member of another maker: "hello" packed by GNU gzip 1.12 (`printf hello | gzip -n9`).
GNU = bytes.fromhex("1f8b0800000000000203cb48cdc9c9070086a6103605000000")


def out_of(packed: bytes, coding: str = "gzip", most: int = 1_000_000, piece: int = 7) -> bytes:
    async def pieces() -> AsyncGenerator[bytes, None]:
        for start in range(0, len(packed), piece):
            yield packed[start : start + piece]

    async def gather() -> bytes:
        return b"".join([chunk async for chunk in unpacked(pieces(), coding, most)])

    return asyncio.run(gather())


def test_what_another_program_packed_is_unpacked() -> None:
    assert out_of(GNU) == b"hello"


@given(st.binary(max_size=3000), st.integers(1, 400))
def test_what_comes_out_is_what_went_in_however_it_arrives(body: bytes, piece: int) -> None:
    packed = gzip.compress(body, 1)
    assert out_of(packed, " GZIP ", piece=piece) == body
    assert out_of(packed, "x-gzip", len(body), piece) == body
    assert out_of(body, "identity", piece=piece) == body


@given(st.binary(min_size=1, max_size=300), st.data())
def test_a_packed_body_that_is_cut_or_goes_on_is_refused(body: bytes, data: st.DataObject) -> None:
    packed = gzip.compress(body)
    with pytest.raises(Malformed):
        out_of(packed[: data.draw(st.integers(0, len(packed) - 1))])
    with pytest.raises(Malformed):
        out_of(packed + b"more")
    with pytest.raises(RequestEntityTooLarge):
        out_of(packed, most=len(body) - 1)


def test_over_http_a_packed_body_counts_as_what_it_holds(service: Running) -> None:
    client, path = service.agent_client("PKC"), f"/api/v1/card-returns/{new_id()}"
    body = json.dumps({"site": "PKC", "profile": 7, "startedAt": "2026-09-10T08:00:00Z"}).encode()
    headers = {"Content-Type": "application/json", "Content-Encoding": "gzip"}
    problem = problem_of(client.put(path, content=gzip.compress(body), headers=headers), 400)
    assert [error["path"] for error in problem["errors"]] == ["/profile"]
    problem_of(client.put(path, content=body, headers=headers), 400)
    unknown = client.put(path, content=body, headers={**headers, "Content-Encoding": "br"})
    problem_of(unknown, 415)
    assert unknown.headers["Accept-Encoding"] == "gzip"


def test_a_body_that_unpacks_to_more_than_any_may_have_is_refused(service: Running) -> None:
    client, path = service.agent_client("PKC"), f"/api/v1/card-returns/{new_id()}/parts/1"
    packed = gzip.compress(b" " * (LONGEST_BODY + 1), 9)
    assert len(packed) < LONGEST_BODY / 500
    headers = {"Content-Type": "application/json", "Content-Encoding": "gzip"}
    problem_of(client.put(path, content=packed, headers=headers), 413)


def test_long_answers_of_intake_come_packed_for_those_who_take_it(service: Running) -> None:
    agent, path = service.agent_client("PKD"), f"/api/v1/card-returns/{new_id()}/parts/1"
    files = [file_of(f"A/{number}.JPG", jpeg(980_000 + number)) for number in range(20)]
    opening = {"site": "PKD", "profile": "two-levels", "startedAt": "2026-09-10T08:00:00Z"}
    body = {"opening": opening, "files": msgspec.to_builtins(files)}
    packed = agent.put(path, json=body, headers={"Accept-Encoding": "gzip"})
    plain = agent.put(path, json=body, headers={"Accept-Encoding": "identity"})
    assert packed.headers["Content-Encoding"] == "gzip"
    assert packed.headers["Vary"] == "Accept-Encoding"
    assert "Content-Encoding" not in plain.headers
    assert int(packed.headers["Content-Length"]) < int(plain.headers["Content-Length"]) / 3
    told = [{ticket["sha256"] for ticket in answer.json()["lacking"]} for answer in (packed, plain)]
    assert told == [{file.sha256 for file in files}] * 2

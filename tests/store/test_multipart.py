"""What is relied on for originals that go by parts (service/objects/multipart.py), on the store in use."""

from __future__ import annotations

import hashlib
import os
from contextlib import closing
from dataclasses import replace

import boto3
import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.contract.cards import LARGE_FROM, LEAST_PART, MOST_PARTS, PartTicket, part_size
from service.objects import Objects, ObjectSettings, ObjectStat, Original
from service.objects import multipart as parts_of
from service.objects.multipart import PartSpan, spans

pytestmark = pytest.mark.anyio

SIZE = LEAST_PART + 1000
GIB = 1024**3


def at_s1(digest: str) -> Original:
    """The original as it comes in at a site."""
    return Original("S1", digest)


def cut(data: bytes) -> list[PartSpan]:
    each = part_size(len(data))
    pieces = [data[at : at + each] for at in range(0, len(data), each)]
    return list(spans(len(data), each, [hashlib.sha256(piece).hexdigest() for piece in pieces]))


def send(web: httpx.Client, ticket: PartTicket, data: bytes) -> int:
    piece = data[ticket.offset : ticket.offset + ticket.size]
    return web.put(ticket.url, headers=ticket.headers, content=piece).status_code


async def assembled(
    objects: Objects, web: httpx.Client, data: bytes, name: str | None = None
) -> tuple[str, bool]:
    """The whole way under the digest of the bytes or another name; the name, and what `assemble` said."""
    digest = name or hashlib.sha256(data).hexdigest()
    upload_id, parts = await parts_of.begin(objects, at_s1(digest)), cut(data)
    for ticket in parts_of.part_tickets(objects, at_s1(digest), upload_id, parts, 600):
        assert send(web, ticket, data) == 200
    tags = await parts_of.parts_held(objects, at_s1(digest), upload_id, parts)
    assert tags is not None
    assert sorted(tags) == [part.number for part in parts]
    return digest, await parts_of.assemble(objects, at_s1(digest), upload_id, parts, tags)


async def test_p17_parts_make_the_file_and_its_composite_checksum_is_never_taken_for_its_digest(
    objects: Objects, web: httpx.Client
) -> None:
    data = os.urandom(2 * LEAST_PART + 77)
    digest, done = await assembled(objects, web, data)
    assert done
    assert await objects.stat(at_s1(digest).key) == ObjectStat(len(data), None)
    got = await parts_of.read_back(objects, at_s1(digest), part_size(len(data)))
    assert got is not None
    assert (got.size, got.sha256) == (len(data), digest)
    assert got.parts == [part.sha256 for part in cut(data)]


async def test_p17_nothing_is_there_before_the_parts_are_put_together(
    objects: Objects, web: httpx.Client
) -> None:
    data = os.urandom(SIZE)
    digest, parts = hashlib.sha256(data).hexdigest(), cut(data)
    upload_id = await parts_of.begin(objects, at_s1(digest))
    first, second = parts_of.part_tickets(objects, at_s1(digest), upload_id, parts, 600)
    assert send(web, second, data) == 200
    tags = await parts_of.parts_held(objects, at_s1(digest), upload_id, parts)
    assert tags is not None
    assert list(tags) == [2]
    assert await objects.stat(at_s1(digest).key) is None
    assert send(web, first, data) == 200
    assert await objects.stat(at_s1(digest).key) is None
    await parts_of.give_up(objects, at_s1(digest), upload_id)
    await parts_of.give_up(objects, at_s1(digest), upload_id)
    assert await parts_of.parts_held(objects, at_s1(digest), upload_id, parts) is None
    assert send(web, first, data) == 404


async def test_p17_p27_other_bytes_are_refused_part_by_part(objects: Objects, web: httpx.Client) -> None:
    data = os.urandom(SIZE)
    digest, parts = hashlib.sha256(data).hexdigest(), cut(data)
    upload_id = await parts_of.begin(objects, at_s1(digest))
    tickets = parts_of.part_tickets(objects, at_s1(digest), upload_id, parts, 600)
    flipped = bytes([data[0] ^ 1]) + data[1:]
    assert send(web, tickets[0], flipped) == 400
    moved = tickets[0].url.replace("partNumber=1", "partNumber=2")
    piece = data[: tickets[0].size]
    assert web.put(moved, headers=tickets[0].headers, content=piece).status_code == 403
    assert await parts_of.parts_held(objects, at_s1(digest), upload_id, parts) == {}
    await parts_of.give_up(objects, at_s1(digest), upload_id)


async def test_p17_p28_an_assembled_original_is_not_replaced_by_a_second_upload(
    objects: Objects, web: httpx.Client
) -> None:
    data, other = os.urandom(SIZE), os.urandom(SIZE)
    digest, _ = await assembled(objects, web, data)
    assert await assembled(objects, web, other, digest) == (digest, True)
    assert await objects.read(at_s1(digest).key) == data


async def test_p28_no_ticket_writes_over_an_original_by_its_key(objects: Objects, web: httpx.Client) -> None:
    data = os.urandom(5000)
    digest = hashlib.sha256(data).hexdigest()
    ticket = objects.presign_put(at_s1(digest), len(data))
    assert web.put(ticket.url, headers=ticket.headers, content=data).status_code == 200
    for body in (data, bytes(len(data))):
        again = objects.presign_put(at_s1(digest), len(body))
        assert web.put(again.url, headers=again.headers, content=body).status_code in (400, 412)
    assert await objects.read(at_s1(digest).key) == data


async def test_p28_a_file_that_was_put_whole_is_not_replaced_by_parts(
    objects: Objects, web: httpx.Client
) -> None:
    data = os.urandom(SIZE)
    digest = hashlib.sha256(data).hexdigest()
    ticket = objects.presign_put(at_s1(digest), len(data))
    assert web.put(ticket.url, headers=ticket.headers, content=data).status_code == 200
    assert await assembled(objects, web, os.urandom(SIZE), digest) == (digest, True)
    assert await objects.read(at_s1(digest).key) == data


async def test_p17_parts_that_are_not_those_asked_for_are_given_up(
    objects: Objects, web: httpx.Client
) -> None:
    data = os.urandom(SIZE)
    digest, parts = hashlib.sha256(data).hexdigest(), cut(data)
    upload_id = await parts_of.begin(objects, at_s1(digest))
    for ticket in parts_of.part_tickets(objects, at_s1(digest), upload_id, parts, 600):
        assert send(web, ticket, data) == 200
    others = [replace(part, sha256="0" * 64) for part in parts]
    tags = await parts_of.parts_held(objects, at_s1(digest), upload_id, parts)
    assert tags is not None
    assert not await parts_of.assemble(objects, at_s1(digest), upload_id, others, tags)
    assert await objects.stat(at_s1(digest).key) is None
    assert await parts_of.parts_held(objects, at_s1(digest), upload_id, parts) is None


async def test_p17_only_the_upload_that_is_noted_stays(objects: Objects) -> None:
    digest = os.urandom(32).hex()
    lost, noted = (
        await parts_of.begin(objects, at_s1(digest)),
        await parts_of.begin(objects, at_s1(digest)),
    )
    await parts_of.give_up_others(objects, at_s1(digest), noted)
    assert await parts_of.parts_held(objects, at_s1(digest), lost, []) is None
    assert await parts_of.parts_held(objects, at_s1(digest), noted, []) == {}
    await parts_of.give_up(objects, at_s1(digest), noted)


@pytest.mark.parametrize("versions", [False, True])
async def test_p17_a_false_original_is_removed_and_the_right_one_can_come(
    bucket: ObjectSettings, web: httpx.Client, versions: bool
) -> None:
    settings = replace(bucket, bucket=f"{bucket.bucket}-{'v' if versions else 'p'}")
    with closing(Objects(settings)) as objects:
        await objects.ensure_bucket()
        client = boto3.client(
            "s3",
            endpoint_url=settings.endpoint,
            region_name=settings.region,
            aws_access_key_id=settings.access_key,
            aws_secret_access_key=settings.secret_key,
        )
        status = "Enabled" if versions else "Suspended"
        client.put_bucket_versioning(Bucket=settings.bucket, VersioningConfiguration={"Status": status})
        data = os.urandom(SIZE)
        digest = hashlib.sha256(data).hexdigest()
        await assembled(objects, web, os.urandom(SIZE), digest)
        await parts_of.remove_false(objects, at_s1(digest))
        await parts_of.remove_false(objects, at_s1(digest))
        assert await objects.stat(at_s1(digest).key) is None
        assert await parts_of.read_back(objects, at_s1(digest), LEAST_PART) is None
        assert await assembled(objects, web, data, digest) == (digest, True)
        assert await objects.read(at_s1(digest).key) == data
        client.close()


@given(size=st.integers(LARGE_FROM + 1, 5 * 1024 * GIB))
def test_p17_every_size_is_cut_into_parts_that_the_protocol_admits(size: int) -> None:
    """Amazon S3 User Guide, "Multipart upload limits": 5 MiB to 5 GiB, at most 10,000 parts, up to 5 TiB."""
    each = part_size(size)
    number = -(-size // each)
    assert 5 * 1024**2 <= each <= 5 * GIB
    assert number <= MOST_PARTS == 10_000
    assert (number - 1) * each < size <= number * each


@pytest.mark.parametrize("size", [LARGE_FROM + 1, 4 * GIB - 1, 4 * GIB, 4 * GIB + 1, 60 * GIB])
def test_p17_tickets_cover_every_byte_once_whatever_the_size(objects: Objects, size: int) -> None:
    each = part_size(size)
    digests = [hashlib.sha256(b"%d" % n).hexdigest() for n in range(-(-size // each))]
    tickets = parts_of.part_tickets(objects, at_s1("ab" * 32), "an-upload", spans(size, each, digests), 60)
    assert [ticket.offset for ticket in tickets] == list(range(0, size, each))
    assert sum(ticket.size for ticket in tickets) == size
    assert {ticket.size for ticket in tickets[:-1]} == {each}
    assert [ticket.headers["Content-Length"] for ticket in tickets] == [str(t.size) for t in tickets]
    assert len({ticket.headers["x-amz-checksum-sha256"] for ticket in tickets}) == len(tickets)


@given(length=st.integers(0, 400), each=st.integers(1, 90), chunk=st.integers(1, 150))
def test_p17_what_is_read_back_is_hashed_part_by_part_however_the_stream_comes(
    length: int, each: int, chunk: int
) -> None:
    data = bytes(n % 251 for n in range(length))
    hashed = parts_of.hashed(iter([data[at : at + chunk] for at in range(0, length, chunk)]), each)
    assert hashed.size == length
    assert hashed.sha256 == hashlib.sha256(data).hexdigest()
    assert hashed.parts == [hashlib.sha256(data[at : at + each]).hexdigest() for at in range(0, length, each)]

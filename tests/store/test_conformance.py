"""What the service relies on of an object store (service/objects.py), tried on the store in use.

Run it against the store you mean to use: SIGHTLEDGER_TEST_S3_URL, see tests/engines.py.
"""

from __future__ import annotations

import asyncio
import hashlib
import os
import secrets
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.contract.wire import CODE_PATTERN
from service.errors import NotFound, Unavailable
from service.objects import (
    Objects,
    ObjectSettings,
    ObjectStat,
    Original,
    PutTicket,
    original_of,
    thumbnail_key,
)
from service.objects.looking import Answer

pytestmark = pytest.mark.anyio

# The example digests published for FIPS 180-4, SHA-256: NIST, Cryptographic Standards and Guidelines,
# Examples with Intermediate Values, "SHA256.pdf" (one block and two block messages); the empty message is
# the zero-length case of NIST's SHA Test Vectors for byte-oriented implementations, SHA256ShortMsg.rsp.
# The values were typed from memory of these.
FIPS_180_4 = {
    b"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    b"": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": (
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    ),
}


def at_s1(digest: str) -> Original:
    """The original as it comes in at a site."""
    return Original("S1", digest)


def fresh(size: int = 5000) -> tuple[bytes, str]:
    """Bytes that no store has seen, and their digest."""
    data = os.urandom(size)
    return data, hashlib.sha256(data).hexdigest()


def put(web: httpx.Client, ticket: PutTicket, data: bytes, **changes: str | None) -> httpx.Response:
    """Use a ticket; `changes` replace headers, None leaves one out."""
    changed = {name.replace("_", "-").lower(): value for name, value in changes.items()}
    headers = {name: value for name, value in ticket.headers.items() if name.lower() not in changed}
    headers |= {name: value for name, value in changed.items() if value is not None}
    return web.put(ticket.url, content=data, headers=headers)


@pytest.mark.parametrize(("message", "digest"), FIPS_180_4.items(), ids=["abc", "empty", "448 bits"])
async def test_i1_01_published_sha256_examples_name_and_admit_their_message(
    objects: Objects, web: httpx.Client, message: bytes, digest: str
) -> None:
    assert put(web, objects.presign_put(at_s1(digest), len(message)), message).status_code == 200
    assert at_s1(digest).key == f"originals/S1/sha256/{digest[:2]}/{digest}"
    found = await objects.stat(at_s1(digest).key)
    assert found is not None
    assert found.size == len(message)
    assert found.sha256_hex in (digest, None)
    assert await objects.read(at_s1(digest).key) == message


async def test_i1_02_right_bytes_are_admitted_and_read_back(objects: Objects, web: httpx.Client) -> None:
    data, digest = fresh(300_000)
    assert put(web, objects.presign_put(at_s1(digest), len(data), "image/jpeg"), data).status_code == 200
    got = web.get(objects.presign_get(at_s1(digest).key, f"{digest}.jpg", 60))
    assert got.status_code == 200
    assert hashlib.sha256(got.content).hexdigest() == digest
    assert got.headers["content-disposition"] == f'attachment; filename="{digest}.jpg"'
    assert got.headers["content-type"] == "image/jpeg"


async def test_i1_03_other_bytes_of_the_same_size_are_refused_and_not_kept(
    objects: Objects, web: httpx.Client
) -> None:
    data, digest = fresh()
    ticket = objects.presign_put(at_s1(digest), len(data))
    flipped = data[:-1] + bytes([data[-1] ^ 1])
    assert put(web, ticket, flipped).status_code == 400
    assert await objects.stat(at_s1(digest).key) is None
    assert put(web, ticket, data).status_code == 200, "a refused try must not use the name up"


@pytest.mark.parametrize("size", [4999, 5001])
async def test_i1_04_another_size_is_refused_and_not_kept(
    objects: Objects, web: httpx.Client, size: int
) -> None:
    data, digest = fresh(5000)
    body = (data + b"x")[:size]
    answer = put(web, objects.presign_put(at_s1(digest), 5000), body, content_length=str(size))
    assert answer.status_code == 403
    assert await objects.stat(at_s1(digest).key) is None


@pytest.mark.parametrize("header", ["x-amz-checksum-sha256", "If-None-Match"])
async def test_i1_05_a_signed_header_left_out_is_refused(
    objects: Objects, web: httpx.Client, header: str
) -> None:
    data, digest = fresh()
    assert put(web, objects.presign_put(at_s1(digest), len(data)), data, **{header: None}).status_code == 403
    assert await objects.stat(at_s1(digest).key) is None


async def test_i1_06_the_checksum_of_other_bytes_does_not_pass_under_the_ticket(
    objects: Objects, web: httpx.Client
) -> None:
    data, digest = fresh()
    other, other_digest = fresh()
    theirs = objects.presign_put(at_s1(other_digest), len(other)).headers["x-amz-checksum-sha256"]
    answer = put(
        web,
        objects.presign_put(at_s1(digest), len(data)),
        other,
        **{"x-amz-checksum-sha256": theirs},
    )
    assert answer.status_code == 403
    assert await objects.stat(at_s1(digest).key) is None


async def test_i2_07_a_second_put_is_told_that_the_first_is_held(objects: Objects, web: httpx.Client) -> None:
    data, digest = fresh()
    assert put(web, objects.presign_put(at_s1(digest), len(data)), data).status_code == 200
    again = objects.presign_put(at_s1(digest), len(data))
    assert put(web, again, data).status_code == 412
    assert put(web, again, bytes(len(data))).status_code in (400, 412)
    assert await objects.read(at_s1(digest).key) == data


async def test_i8_08_puts_at_the_same_time_leave_one_object_and_the_right_one(
    objects: Objects, web: httpx.Client
) -> None:
    data, digest = fresh(200_000)
    ticket = objects.presign_put(at_s1(digest), len(data))
    with ThreadPoolExecutor(8) as pool:
        statuses = [answer.status_code for answer in pool.map(lambda _: put(web, ticket, data), range(8))]
    assert 200 in statuses
    # 409: AWS answers it while another conditional write of the name is under way.
    assert set(statuses) <= {200, 409, 412}
    assert await objects.read(at_s1(digest).key) == data


async def test_09_a_ticket_out_of_time_is_refused(objects: Objects, web: httpx.Client) -> None:
    data, digest = fresh()
    ticket = objects.presign_put(at_s1(digest), len(data), None, 1)
    time.sleep(2.1)
    assert put(web, ticket, data).status_code == 403
    assert await objects.stat(at_s1(digest).key) is None


async def test_10_an_address_for_reading_ends_with_its_time(objects: Objects, web: httpx.Client) -> None:
    await objects.write("derived/short-lived", b"seen for a while", "text/plain")
    # Long enough for a machine that is busy with other things.
    address = objects.presign_get("derived/short-lived", "a.txt", 4)
    assert web.get(address).content == b"seen for a while"
    time.sleep(5.1)
    assert web.get(address).status_code == 403


async def test_11_without_a_signature_nothing_is_read_listed_or_written(
    objects: Objects, web: httpx.Client
) -> None:
    data, digest = fresh()
    ticket = objects.presign_put(at_s1(digest), len(data))
    plain = ticket.url.split("?")[0]
    assert put(web, ticket, data).status_code == 200
    for method, address in [
        ("GET", plain),
        ("HEAD", plain),
        ("DELETE", plain),
        ("GET", plain.split("/originals")[0]),
    ]:
        assert web.request(method, address).status_code == 403, (method, address)
    other, other_digest = fresh()
    elsewhere = plain.replace(digest, other_digest)
    assert web.put(elsewhere, content=other).status_code == 403
    assert await objects.read(at_s1(digest).key) == data


async def test_12_a_ticket_is_good_for_its_own_name_only(objects: Objects, web: httpx.Client) -> None:
    data, digest = fresh()
    ticket = objects.presign_put(at_s1(digest), len(data))
    moved = PutTicket(ticket.url.replace(f"/{digest}?", f"/{digest[::-1]}?"), ticket.headers)
    assert put(web, moved, data).status_code == 403
    assert web.get(ticket.url).status_code == 403
    assert web.delete(ticket.url).status_code == 403


async def test_i5_13_stat_tells_size_and_checksum_or_that_there_is_nothing(
    objects: Objects, web: httpx.Client
) -> None:
    data, digest = fresh(12_345)
    _, absent = fresh()
    assert put(web, objects.presign_put(at_s1(digest), len(data)), data).status_code == 200
    held, missing = at_s1(digest).key, at_s1(absent).key
    found = await objects.stat_many([held, missing, held])
    assert found == {held: ObjectStat(12_345, (await _checksum(objects, held))), missing: None}
    assert (await _checksum(objects, held)) in (digest, None)
    with pytest.raises(NotFound):
        await objects.read(missing)


async def _checksum(objects: Objects, key: str) -> str | None:
    found = await objects.stat(key)
    assert found is not None
    return found.sha256_hex


async def test_i5_14_many_stats_keep_their_keys_apart(objects: Objects, web: httpx.Client) -> None:
    sizes = {}
    for size in range(1, 41):
        data, digest = fresh(size)
        assert put(web, objects.presign_put(at_s1(digest), size), data).status_code == 200
        sizes[at_s1(digest).key] = size
    found = await objects.stat_many(sizes, concurrency=16)
    assert {key: stat.size for key, stat in found.items() if stat is not None} == sizes


async def test_p30_a_long_list_is_looked_at_piece_by_piece(
    objects: Objects, web: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All signed at once, the last addresses would be out of time before they were asked."""
    monkeypatch.setattr("service.objects.KEYS_PER_LOOK", 3)
    asked: list[int] = []
    heads = objects._looks.heads

    def noted(urls: Sequence[str], *more: Any) -> list[Answer]:
        asked.append(len(urls))
        return heads(urls, *more)

    monkeypatch.setattr(objects._looks, "heads", noted)
    sizes = {}
    # Long enough that no other test has drawn the same bytes.
    for size in range(101, 109):
        data, digest = fresh(size)
        if size != 105:
            assert put(web, objects.presign_put(at_s1(digest), size), data).status_code == 200
        sizes[at_s1(digest).key] = None if size == 105 else size
    found = await objects.stat_many(sizes, concurrency=16)
    assert {key: stat and stat.size for key, stat in found.items()} == sizes
    assert asked == [3, 3, 2]


@pytest.mark.parametrize("key", ["originals/sha256/aa/cc", "originals/x", "/originals/x", "derived", "x"])
async def test_i2_15_derived_writes_cannot_touch_originals(objects: Objects, key: str) -> None:
    with pytest.raises(ValueError, match="derived"):
        await objects.write(key, b"other bytes", "image/jpeg")
    assert await objects.stat(key) is None


async def test_i2_16_a_derived_object_may_be_made_again(objects: Objects) -> None:
    key = thumbnail_key(fresh()[1])
    for data in (b"first", b"second, longer"):
        await objects.write(key, data, "image/jpeg")
        assert await objects.read(key) == data


@pytest.mark.parametrize("digest", ["", "abc", "A" * 64, "../" + "a" * 61, "a" * 63 + "\n", "a" * 65])
def test_i1_17_what_is_no_digest_names_nothing(digest: str) -> None:
    for name in (lambda digest: at_s1(digest).key, thumbnail_key):
        with pytest.raises(ValueError, match="not a SHA-256"):
            name(digest)
    assert original_of(f"originals/S1/sha256/{digest[:2]}/{digest}") is None


@pytest.mark.parametrize("site", ["", ".", "..", "../S2", "S1/sha256", "S 1", "S1\n", "/", "-S1"])
def test_i1_17_what_is_no_code_of_a_site_names_nothing(site: str) -> None:
    digest = "ab" * 32
    with pytest.raises(ValueError, match="no code of a site"):
        Original(site, digest).key  # noqa: B018
    assert original_of(f"originals/{site}/sha256/ab/{digest}") is None


@given(
    st.from_regex(CODE_PATTERN.removesuffix(r"(?!\n)"), fullmatch=True).filter(lambda code: len(code) <= 64),
    st.binary(min_size=32, max_size=32),
)
def test_i1_17_every_site_and_digest_has_a_name_that_tells_both(site: str, digest: bytes) -> None:
    original = Original(site, digest.hex())
    assert original_of(original.key) == original
    assert original.key.count("/") == 4
    assert {"", ".", ".."}.isdisjoint(original.key.split("/"))
    for other in (original.key + "/", original.key[:-1], original.key.replace("sha256/", "", 1)):
        assert original_of(other) is None


async def test_18_a_dead_store_is_an_error_and_never_an_absence(
    object_settings: ObjectSettings, dead_endpoint: str
) -> None:
    dead = ObjectSettings(
        dead_endpoint, dead_endpoint, object_settings.region, object_settings.bucket, "key", "secret"
    )
    objects = Objects(dead)
    try:
        assert not await objects.ready()
        with pytest.raises(Unavailable):
            await objects.stat(at_s1(fresh()[1]).key)
        with pytest.raises(Unavailable):
            await objects.stat_many([at_s1(fresh()[1]).key])
    finally:
        objects.close()


async def test_19_wrong_keys_are_an_error_and_never_an_absence(bucket: ObjectSettings) -> None:
    objects = Objects(
        ObjectSettings(
            bucket.endpoint,
            bucket.endpoint,
            bucket.region,
            bucket.bucket,
            bucket.access_key,
            secrets.token_hex(),
        )
    )
    try:
        assert not await objects.ready()
        with pytest.raises(Unavailable):
            await objects.stat(at_s1(fresh()[1]).key)
    finally:
        objects.close()


async def test_20_tickets_are_for_the_public_address(bucket: ObjectSettings) -> None:
    settings = ObjectSettings(
        bucket.endpoint, "https://pictures.example.org", bucket.region, bucket.bucket, "key", "secret"
    )
    objects = Objects(settings)
    try:
        data, digest = fresh()
        for url in (
            objects.presign_put(at_s1(digest), len(data)).url,
            objects.presign_get(at_s1(digest).key, "a", 60),
        ):
            parts = urlsplit(url)
            assert (parts.scheme, parts.netloc) == ("https", "pictures.example.org")
            assert parts.path == f"/{bucket.bucket}/{Original('S1', digest).key}"
            assert parse_qs(parts.query)["X-Amz-Algorithm"] == ["AWS4-HMAC-SHA256"]
            assert "secret" not in url
    finally:
        objects.close()


async def test_21_a_bucket_is_made_once_and_found_again(bucket: ObjectSettings) -> None:
    settings = ObjectSettings(
        bucket.endpoint,
        bucket.endpoint,
        bucket.region,
        f"test-{secrets.token_hex(6)}",
        bucket.access_key,
        bucket.secret_key,
    )
    objects = Objects(settings)
    try:
        assert not await objects.ready()
        await asyncio.gather(*(objects.ensure_bucket() for _ in range(3)))
        assert await objects.ready()
        await objects.write("derived/x", b"x", "text/plain")
        await objects.ensure_bucket()
        assert await objects.read("derived/x") == b"x"
    finally:
        objects.close()


@pytest.fixture
def dead_endpoint() -> Iterator[str]:
    """An address that refuses connections: the port is held, and nobody listens on it."""
    import socket

    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        yield f"http://127.0.0.1:{held.getsockname()[1]}"

"""Originals that are too large for one PUT, by S3 multipart upload.

The store compares each part with the SHA-256 signed into its ticket. Of the whole it can then only give a
checksum over the parts' checksums ("...-3"), which is no SHA-256 of the file: the whole is known only after
`read_back`. Source: Amazon S3 User Guide, "Uploading and copying objects using multipart upload" and
"Checking object integrity".
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import count
from typing import TYPE_CHECKING, Any

import structlog
import urllib3
from botocore.exceptions import BotoCoreError, ClientError

from service.contract.cards import PartTicket
from service.objects import Objects, Original, _base64_of, _code, _hex_of, _is_absent, _unavailable

if TYPE_CHECKING:
    from types_boto3_s3.type_defs import CompletedPartTypeDef

_log = structlog.get_logger(__name__)

READ_AT_ONCE = 1024 * 1024
GONE = "NoSuchUpload"
HELD_ALREADY = "PreconditionFailed"
# Error codes of a store that has parts, but not the ones that were asked for.
UNFIT = {"BadDigest", "InvalidPart", "InvalidPartOrder", "EntityTooSmall", "InvalidRequest"}
LOCKED = {"AccessDenied", "ObjectLocked", "InvalidRequest", "MethodNotAllowed"}


@dataclass(frozen=True)
class PartSpan:
    """Bytes `offset` to `offset + size` of a file, with their SHA-256; `number` starts with 1."""

    number: int
    offset: int
    size: int
    sha256: str


@dataclass(frozen=True)
class ReadBack:
    """What the store gave: all bytes counted and hashed, and hashed part by part."""

    size: int
    sha256: str
    parts: list[str]


def spans(size: int, each: int, digests: Iterable[str]) -> Iterator[PartSpan]:
    """The parts of a file of `size` bytes cut every `each` bytes."""
    offsets = range(0, size, each)
    for number, offset, digest in zip(count(1), offsets, digests, strict=False):
        yield PartSpan(number, offset, min(each, size - offset), digest)


def part_tickets(
    objects: Objects, original: Original, upload_id: str, parts: Iterable[PartSpan], expires_s: int
) -> list[PartTicket]:
    """A PUT for each part, good for `expires_s` seconds; the store refuses other bytes."""
    path = objects._path(original.key)
    tickets = []
    for part in parts:
        headers = {"x-amz-checksum-sha256": _base64_of(part.sha256), "Content-Length": str(part.size)}
        query = {"partNumber": str(part.number), "uploadId": upload_id}
        url = objects._sign_public.url("PUT", path, expires_s, headers, query)
        tickets.append(
            PartTicket(number=part.number, offset=part.offset, size=part.size, url=url, headers=headers)
        )
    return tickets


async def begin(objects: Objects, original: Original) -> str:
    """Begin an upload under the original's own name; returns its id. Nothing shows before `assemble`."""
    return await objects._in_thread(_begin, objects, original)


def _begin(objects: Objects, original: Original) -> str:
    try:
        return objects._inner.create_multipart_upload(
            **_named(objects, original), ChecksumAlgorithm="SHA256", ContentType="application/octet-stream"
        )["UploadId"]
    except (BotoCoreError, ClientError) as error:
        raise _unavailable(f"begin an upload of {original.key}", error) from error


async def parts_held(
    objects: Objects, original: Original, upload_id: str, parts: Sequence[PartSpan]
) -> dict[int, str] | None:
    """Which of the parts the store has, as number -> ETag; None when it knows no such upload (any more)."""
    return await objects._in_thread(_parts_held, objects, original, upload_id, parts)


def _parts_held(
    objects: Objects, original: Original, upload_id: str, parts: Sequence[PartSpan]
) -> dict[int, str] | None:
    tags: dict[int, str] = {}
    pages = objects._inner.get_paginator("list_parts")
    try:
        for page in pages.paginate(**_named(objects, original), UploadId=upload_id):
            for found in page.get("Parts", []):
                number = found["PartNumber"]
                if 1 <= number <= len(parts) and _fits(found, parts[number - 1]):
                    tags[number] = found["ETag"]
    except (BotoCoreError, ClientError) as error:
        if _code(error) == GONE:
            return None
        raise _unavailable(f"list the parts of {original.key}", error) from error
    return tags


def _fits(found: Mapping[str, Any], part: PartSpan) -> bool:
    """Not every store tells the checksum it has compared."""
    checksum = _hex_of(found.get("ChecksumSHA256"))
    return found["Size"] == part.size and checksum in (None, part.sha256)


async def assemble(
    objects: Objects,
    original: Original,
    upload_id: str,
    parts: Sequence[PartSpan],
    tags: Mapping[int, str],
    *,
    over: bool = False,
) -> bool:
    """Put the parts together; False when the store has others than these, and the upload is given up.

    True says that there is an object of that name now, whoever put it there, and nothing of its content.
    `over`: what is there was found unsound, and these take its place.
    """
    return await objects._in_thread(_assemble, objects, original, upload_id, parts, tags, over)


def _assemble(
    objects: Objects,
    original: Original,
    upload_id: str,
    parts: Sequence[PartSpan],
    tags: Mapping[int, str],
    over: bool,
) -> bool:
    completed: list[CompletedPartTypeDef] = [
        {"PartNumber": part.number, "ETag": tags[part.number], "ChecksumSHA256": _base64_of(part.sha256)}
        for part in parts
    ]
    once: dict[str, Any] = {} if over else {"IfNoneMatch": "*"}
    try:
        objects._inner.complete_multipart_upload(
            **_named(objects, original), UploadId=upload_id, MultipartUpload={"Parts": completed}, **once
        )
    except (BotoCoreError, ClientError) as error:
        if _code(error) in UNFIT:
            _log.error("the store holds other parts than were asked for", key=original.key, code=_code(error))
            _give_up(objects, original, upload_id)
            return False
        if _code(error) == HELD_ALREADY:
            _give_up(objects, original, upload_id)
        # The first answer was lost and this is a repetition: the upload is over because it was completed.
        elif _code(error) != GONE or objects._stat(original.key) is None:
            raise _unavailable(f"put the parts of {original.key} together", error) from error
    return True


async def give_up(objects: Objects, original: Original, upload_id: str) -> None:
    """End an upload; its parts are gone. One that is over already is left as it is."""
    await objects._in_thread(_give_up, objects, original, upload_id)


def _give_up(objects: Objects, original: Original, upload_id: str) -> None:
    try:
        objects._inner.abort_multipart_upload(**_named(objects, original), UploadId=upload_id)
    except (BotoCoreError, ClientError) as error:
        if _code(error) != GONE:
            # Its parts take room until the store's own rule clears them; nothing depends on it.
            _log.warning("an upload could not be ended", key=original.key, code=_code(error))


async def give_up_others(objects: Objects, original: Original, upload_id: str) -> None:
    """End every other upload under this name: uploads that were begun and recorded nowhere."""
    await objects._in_thread(_give_up_others, objects, original, upload_id)


def _give_up_others(objects: Objects, original: Original, upload_id: str) -> None:
    key = original.key
    try:
        found = objects._inner.list_multipart_uploads(Bucket=objects.settings.bucket, Prefix=key)
    except (BotoCoreError, ClientError) as error:
        _log.warning("uploads could not be listed", key=original.key, code=_code(error))
        return
    for other in found.get("Uploads", []):
        if other["Key"] == key and other["UploadId"] != upload_id:
            _give_up(objects, original, other["UploadId"])


async def read_back(objects: Objects, original: Original, each: int) -> ReadBack | None:
    """Read the whole original in a stream, hashed over all and per `each` bytes; None when there is none.

    Needs the memory of two chunks, whatever the size. Raises Unavailable.
    """
    return await objects._in_thread(_read_back, objects, original, each)


def _read_back(objects: Objects, original: Original, each: int) -> ReadBack | None:
    try:
        body = objects._inner.get_object(**_named(objects, original))["Body"]
        return hashed(body.iter_chunks(READ_AT_ONCE), each)
    except (BotoCoreError, ClientError, urllib3.exceptions.HTTPError) as error:
        if _is_absent(error):
            return None
        raise _unavailable(f"give back all of {original.key}", error) from error


def hashed(chunks: Iterable[bytes], each: int) -> ReadBack:
    """A stream hashed over all and per `each` bytes."""
    whole, size, parts = hashlib.sha256(), 0, []
    part, room = hashlib.sha256(), each
    for chunk in chunks:
        whole.update(chunk)
        size += len(chunk)
        left = memoryview(chunk)
        while len(left) >= room:
            part.update(left[:room])
            parts.append(part.hexdigest())
            left, part, room = left[room:], hashlib.sha256(), each
        part.update(left)
        room -= len(left)
    if room < each:
        parts.append(part.hexdigest())
    return ReadBack(size, whole.hexdigest(), parts)


async def remove_false(objects: Objects, original: Original) -> None:
    """Delete the object under an original's name whose bytes were read and are not that original.

    In a bucket with versions only this version goes; where a lock forbids that, a delete marker hides it,
    so that the right bytes can come in. The caller has made sure that no record names it. Raises Unavailable.
    """
    await objects._in_thread(_remove_false, objects, original)


def _remove_false(objects: Objects, original: Original) -> None:
    named = _named(objects, original)
    try:
        version = objects._inner.head_object(**named).get("VersionId")
        try:
            which = named | ({"VersionId": version} if version else {})
            objects._inner.delete_object(**which)
        except ClientError as error:
            if not version or _code(error) not in LOCKED:
                raise
            objects._inner.delete_object(**named)
    except (BotoCoreError, ClientError) as error:
        if not _is_absent(error):
            raise _unavailable(f"delete the false {original.key}", error) from error


def _named(objects: Objects, original: Original) -> dict[str, Any]:
    return {"Bucket": objects.settings.bucket, "Key": original.key}

"""Parts of a manifest: what they name, what of it the store lacks, and tickets for that."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.contract.cards import (
    LARGE_FROM,
    LargeLacking,
    ManifestFile,
    ManifestPart,
    PartAnswer,
    UploadTicket,
)
from service.contract.failpoints import reach
from service.contract.problem import ProblemError
from service.database import Database, Row
from service.errors import Conflict, Invalid, NotFound
from service.intake import store
from service.intake.actions import open_return, own_return
from service.intake.rules import sizes
from service.intake.store import large
from service.intake.store.naming import about_to_name
from service.objects import Objects
from service.records.store import images_held
from service.settings import Settings

MEDIA_TYPES = {"JPEG": "image/jpeg", "PNG": "image/png", "TIFF": "image/tiff", "BMP": "image/bmp"}
CONCURRENT_STATS = 16
ERRORS_SHOWN = 100

_PART = msgspec.json.Decoder(ManifestPart)


class ObjectsDiffer(Invalid):
    slug, title = "objects-differ", "The store holds other bytes than the manifest says"


def decoded(body: bytes) -> list[ManifestFile]:
    """The files of a part as it was sent."""
    return _PART.decode(body).files


async def put_part(
    db: Database,
    objects: Objects,
    settings: Settings,
    caller: Caller,
    return_id: UUID,
    number: int,
    part: ManifestPart,
    body: bytes,
) -> PartAnswer:
    """Keep one part of the manifest as sent; answer tickets for the images that are not held.

    The return stays open when the part that opened it is refused: people see that a card waits.
    """
    if part.opening is not None:
        await open_return(db, caller, return_id, part.opening)
        reach("part.opened")
    fingerprint = hashlib.sha256(body).hexdigest()
    wanted, torn = sizes(part.files)
    async with db.begin() as connection:
        row = await own_return(connection, caller, return_id, Act.READ_CARD, "share")
        stored = await store.part_digest(connection, return_id, number)
        held = await _sizes_held(connection, wanted)
        _refuse_sizes(torn | {digest for digest, size in held.items() if size != wanted[digest]})
        lacking = {digest: size for digest, size in wanted.items() if digest not in held}
        if stored is None:
            _refuse_committed(row, number)
            part_row = {"card_return_id": return_id, "part": number, "files": len(part.files)}
            await about_to_name(connection)
            await store.insert_part(connection, {**part_row, "body": body, "body_sha256": fingerprint})
            await large.await_files(connection, return_id, _split(lacking)[1])
        if stored not in (None, fingerprint):
            await _refuse_other(connection, return_id, number, part.files)
    reach("part.kept")
    small, big = _split(lacking)
    if stored is not None:
        small = await _lacking_in_store(objects, small)
    return await _answer(objects, settings, number, part.files, small, big)


async def check_part(
    db: Database, objects: Objects, settings: Settings, caller: Caller, return_id: UUID, number: int
) -> PartAnswer:
    """Look at the store for every file of a part; what is found is remembered, so that the commit need not.

    Files that go by parts are not looked at: only reading them back verifies them.
    """
    async with db.begin() as connection:
        await own_return(connection, caller, return_id, Act.READ_CARD)
        part = await store.part(connection, return_id, number)
        if part is None:
            raise NotFound(
                f"Part {number} of card return {return_id} was not sent.",
                next_step="Send the part, then have it checked.",
            )
        files = decoded(part["body"])
        wanted, _ = sizes(files)
        held = await _sizes_held(connection, wanted)
    small, big = _split({digest: size for digest, size in wanted.items() if digest not in held})
    if part["verified_at"] is None:
        small = await missing_in_store(objects, small)
        if not small:
            async with db.begin() as connection:
                await store.note_part_verified(connection, return_id, number)
            reach("check.kept")
    else:
        small = {}
    return await _answer(objects, settings, number, files, small, big)


async def _sizes_held(connection: AsyncConnection, wanted: Mapping[str, int]) -> dict[str, int]:
    """Those of the digests that need no upload, with their size."""
    held = {digest: row["size"] for digest, row in (await images_held(connection, wanted)).items()}
    return held | await large.verified_among(connection, _split(wanted)[1])


def _split(files: Mapping[str, int]) -> tuple[dict[str, int], dict[str, int]]:
    """Those that go in one PUT, and those that go by parts."""
    small = {digest: size for digest, size in files.items() if size <= LARGE_FROM}
    return small, {digest: size for digest, size in files.items() if digest not in small}


async def _answer(
    objects: Objects,
    settings: Settings,
    number: int,
    files: Sequence[ManifestFile],
    small: dict[str, int],
    big: dict[str, int],
) -> PartAnswer:
    return PartAnswer(
        part=number,
        files=len(files),
        held=sum(file.sha256 not in small and file.sha256 not in big for file in files),
        lacking=await _tickets(objects, settings, files, small),
        large=[LargeLacking(sha256=digest, size=size) for digest, size in big.items()],
    )


async def _refuse_other(
    connection: AsyncConnection, return_id: UUID, number: int, files: Sequence[ManifestFile]
) -> None:
    """The bytes differ; the files do not when only one of the two brought the opening."""
    row = await store.part(connection, return_id, number)
    assert row is not None, "parts are never deleted"
    if decoded(row["body"]) != files:
        raise Conflict(
            f"Part {number} of this card return was sent with other content before.",
            next_step="Read the card again and open a new card return with a new id.",
        )


def _refuse_committed(row: Row, number: int) -> None:
    if row["committed_at"] is not None:
        raise Conflict(
            f"The card return is committed; part {number} was not part of it.",
            next_step="Open a new card return for files that were not in the first one.",
        )


def _refuse_sizes(digests: Iterable[str]) -> None:
    faults = sorted(digests)
    if faults:
        raise Invalid(
            f"The manifest gives {len(faults)} digests a size their bytes do not have.",
            next_step="Read the files again: the manifest does not describe the card.",
            errors=[
                ProblemError(detail="size and digest do not belong together", path=d) for d in faults[:100]
            ],
        )


async def _looked_at(objects: Objects, wanted: Mapping[str, int]) -> tuple[list[str], list[str]]:
    """Of files that go in one PUT: what the store does not hold, and what it holds with other content."""
    by_key = {objects.original_key(digest): digest for digest in wanted}
    stats = await objects.stat_many(list(by_key), CONCURRENT_STATS)
    missing = sorted(digest for key, digest in by_key.items() if stats[key] is None)
    differing = sorted(
        digest
        for key, digest in by_key.items()
        if (stat := stats[key]) is not None
        and (stat.size != wanted[digest] or stat.sha256_hex not in (None, digest))
    )
    return missing, differing


async def _lacking_in_store(objects: Objects, wanted: Mapping[str, int]) -> dict[str, int]:
    """The images a repeated part still has to send: those put before a break are in the store already."""
    missing, differing = await _looked_at(objects, wanted)
    return {digest: wanted[digest] for digest in (*missing, *differing)}


async def missing_in_store(objects: Objects, wanted: Mapping[str, int]) -> dict[str, int]:
    """Those files, all of which go in one PUT, that the store does not hold.

    Raises ObjectsDiffer for such as it holds with another size, or another checksum where it tells one.
    """
    missing, differing = await _looked_at(objects, wanted)
    if differing:
        raise ObjectsDiffer(
            f"{len(differing)} files in the store have another size or checksum than the manifest says.",
            consequence="Nothing was recorded and there is no receipt. Do not wipe the card.",
            next_step="Read the card again and open a new card return.",
            errors=[
                ProblemError(detail="size or checksum differs", path=d) for d in differing[:ERRORS_SHOWN]
            ],
        )
    return {digest: wanted[digest] for digest in missing}


async def _tickets(
    objects: Objects, settings: Settings, files: Sequence[ManifestFile], lacking: Mapping[str, int]
) -> list[UploadTicket]:
    formats = {file.sha256: file.picture.format for file in files if file.picture is not None}
    # Asked first: the tickets are signed by the time the store tells here.
    expires_at = await objects.now() + timedelta(seconds=settings.ticket_seconds)
    tickets = []
    for digest, size in lacking.items():
        media_type = MEDIA_TYPES.get(formats.get(digest, ""), "application/octet-stream")
        put = objects.presign_put(digest, size, media_type, settings.ticket_seconds)
        tickets.append(
            UploadTicket(sha256=digest, size=size, url=put.url, headers=put.headers, expires_at=expires_at)
        )
    return tickets

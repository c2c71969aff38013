"""What of a manifest the store lacks, by the record and by the store itself; tickets for it.

A file counts as held at a site only: its own record tells of it, or the store has it under the site's own
name. What other sites hold changes no answer, because whoever knows a digest may not have the bytes.

A file counts as held only while the store holds it: an original that the audit found unsound is lacking until
it came in again, and sound only after custody has read it back.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.contract.cards import LARGE_FROM, FileAhead, ManifestFile, UploadTicket
from service.database import Database
from service.intake.rules.holding import Recorded, Seen, seen_as, seen_beside
from service.intake.store import large
from service.intake.store.returns import return_by_id
from service.intake.store.seen import images_seen
from service.jobs import READING_BACK, defer, defer_each, under_way
from service.objects import Objects, Original
from service.settings import Settings

MEDIA_TYPES = {"JPEG": "image/jpeg", "PNG": "image/png", "TIFF": "image/tiff", "BMP": "image/bmp"}
CONCURRENT_STATS = 16
READ_PER_JOB = 5000
READ_BACK_TASK = "custody:read_back"


async def recorded(connection: AsyncConnection, site: str, wanted: Mapping[str, int]) -> dict[str, Recorded]:
    """What the record of a site knows of these digests: images, and large files that were read back."""
    proven = await large.verified_among(connection, site, split(wanted)[1])
    known = {digest: Recorded(size, None, image=False, site=site) for digest, size in proven.items()}
    images = await images_seen(connection, wanted, {site})
    return known | {
        digest: Recorded(row["size"], row["unsound_at"], image=True, site=row["site"])
        for digest, row in images.items()
    }


async def look(
    objects: Objects, site: str, wanted: Mapping[str, int], known: Mapping[str, Recorded]
) -> dict[str, Seen]:
    """How the store is seen to hold each of these digests of these sizes for a site. Raises Unavailable."""
    names = {digest: Original(known[digest].site if digest in known else site, digest) for digest in wanted}
    seen = await _looked_at(objects, names, wanted, known)
    again = {
        digest: Original(site, digest)
        for digest, original in names.items()
        if original.site != site and seen[digest] not in ("held", "unread")
    }
    here = await _looked_at(objects, again, wanted, known)
    return seen | {digest: seen_beside(seen[digest], how) for digest, how in here.items()}


async def _looked_at(
    objects: Objects,
    names: Mapping[str, Original],
    wanted: Mapping[str, int],
    known: Mapping[str, Recorded],
) -> dict[str, Seen]:
    keys = {digest: original.key for digest, original in names.items()}
    stats = await objects.stat_many(keys.values(), CONCURRENT_STATS) if keys else {}
    return {
        digest: seen_as(digest, wanted[digest], stats[key], known.get(digest), wanted[digest] > LARGE_FROM)
        for digest, key in keys.items()
    }


def split(files: Mapping[str, int]) -> tuple[dict[str, int], dict[str, int]]:
    """The files that go in one PUT, and those that go by parts."""
    small = {digest: size for digest, size in files.items() if size <= LARGE_FROM}
    return small, {digest: size for digest, size in files.items() if digest not in small}


async def tickets(
    objects: Objects,
    settings: Settings,
    site: str,
    files: Sequence[ManifestFile | FileAhead],
    lacking: Mapping[str, int],
    spoilt: Iterable[str],
) -> list[UploadTicket]:
    """A PUT under the site's own name for each of `lacking`; for the `spoilt`, where other bytes are, one
    that writes over them."""
    formats = {
        file.sha256: file.picture.format
        for file in files
        if isinstance(file, ManifestFile) and file.picture is not None
    }
    over = set(spoilt)
    # The time is asked for first, because tickets are signed by the store's clock.
    expires_at = await objects.now() + timedelta(seconds=settings.ticket_seconds)
    made = []
    for digest, size in lacking.items():
        media_type = MEDIA_TYPES.get(formats.get(digest, ""), "application/octet-stream")
        original = Original(site, digest)
        put = objects.presign_put(original, size, media_type, settings.ticket_seconds, over=digest in over)
        made.append(
            UploadTicket(sha256=digest, size=size, url=put.url, headers=put.headers, expires_at=expires_at)
        )
    return made


async def order_reading(db: Database, return_id: UUID, digests: Iterable[str]) -> None:
    """Have custody read these images back and record what it finds; one order of a card return at a time.

    Images that are not ordered now are ordered when the card return asks for them again.
    """
    ordered = sorted(digests)[:READ_PER_JOB]
    if not ordered:
        return
    once = f"read-back:{return_id}"
    async with db.begin() as connection:
        await return_by_id(connection, return_id, "update")
        if not await under_way(connection, once):
            await defer(connection, READ_BACK_TASK, queue=READING_BACK, once=once, digests=ordered)


async def order_reading_of(connection: AsyncConnection, digests: Sequence[str]) -> None:
    """The same in the transaction of a card return that has its receipt and asks no more."""
    jobs = [
        {"digests": digests[start : start + READ_PER_JOB]} for start in range(0, len(digests), READ_PER_JOB)
    ]
    if jobs:
        await defer_each(connection, READ_BACK_TASK, jobs, queue=READING_BACK)

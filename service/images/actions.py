"""Looks at the images that came in, and makes their thumbnails; an original is only ever read (I2)."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Sequence
from typing import Any

import procrastinate
import structlog
from sqlalchemy.ext.asyncio import AsyncConnection

from service.contract.pictures import LARGEST_JUDGED, Judged
from service.database import Database, server_now, storable_json
from service.errors import Conflict, NotFound
from service.images.looking import Looker
from service.images.rules import Look
from service.images.store import images_held, note_looked_at
from service.jobs import THUMBNAILS, defer_each
from service.objects import Objects, Original


class NotYetVerified(Conflict):
    slug, title = "objects-unverified", "A large file is not yet verified"


MADE, FAILED = "made", "failed"

PER_JOB = 200

THUMBNAIL_TASK = "images:make_thumbnails"

tasks = procrastinate.Blueprint()

log = structlog.get_logger(__name__)


class NotSound(Exception):
    """The store does not hold the bytes that the digest names; the text says what it does hold."""


async def make_thumbnails(
    db: Database, objects: Objects, looker: Looker, digests: Sequence[str]
) -> dict[str, str]:
    """Look at the images that nobody has looked at, and make their thumbnails; the outcome by digest. A
    failure is recorded with its reason, not raised, so that no picture is tried for ever. An original that is
    not sound is left as it is: custody finds that, and orders the thumbnail again when the original is sound
    (order_lacking)."""
    async with db.begin() as connection:
        images = await images_held(connection, digests)
    outcomes = {}
    for digest, image in images.items():
        if image["thumbnail"] is not None:
            continue
        try:
            original = Original(image["site"], digest)
            found = await _looked_at(objects, looker, original, image["size"])
        except NotSound as error:
            log.error("no thumbnail yet", digest=digest, reason=str(error))
            continue
        if found.small is not None:
            await objects.write(objects.thumbnail_key(digest), found.small, "image/jpeg")
        else:
            log.warning("no thumbnail", digest=digest, reason=found.why)
        outcomes[digest] = MADE if found.small is not None else FAILED
        noted = {"thumbnail": outcomes[digest], "no_thumbnail": found.why, **_told_by(found.judged)}
        async with db.begin() as connection:
            await note_looked_at(connection, digest, noted)
    return outcomes


async def _looked_at(objects: Objects, looker: Looker, original: Original, size: int) -> Look:
    if size > LARGEST_JUDGED:
        return Look(why=f"{size} bytes are too many for one picture")
    data = await _sound_bytes(objects, original)
    return await asyncio.to_thread(looker.look, data)


async def _sound_bytes(objects: Objects, original: Original) -> bytes:
    try:
        data = await objects.read(original.key)
    except NotFound as error:
        raise NotSound("the store does not have the original") from error
    if hashlib.sha256(data).hexdigest() != original.digest:
        raise NotSound("the original's bytes in the store are not those it is named by")
    return data


def _told_by(judged: Judged | None) -> dict[str, Any]:
    """What the bytes say of themselves: columns of images; none where nobody got that far."""
    if judged is None:
        return {}
    picture = judged.picture
    return {
        "looked_at": server_now(),
        "marks": judged.marks,
        "format": picture.format if picture is not None else None,
        "width": picture.width if picture is not None else None,
        "height": picture.height if picture is not None else None,
        "exif": storable_json(picture.exif) if picture is not None else {},
    }


_AGAIN = procrastinate.RetryStrategy(max_attempts=8, exponential_wait=3)


async def order_thumbnails(connection: AsyncConnection, digests: Sequence[str]) -> None:
    """Order thumbnails in our transaction."""
    jobs = [{"digests": digests[start : start + PER_JOB]} for start in range(0, len(digests), PER_JOB)]
    if jobs:
        await defer_each(connection, THUMBNAIL_TASK, jobs, queue=THUMBNAILS)


@tasks.task(name="make_thumbnails", queue=THUMBNAILS, pass_context=True, retry=_AGAIN)
async def _make_thumbnails(context: procrastinate.JobContext, digests: list[str]) -> None:
    """Runs in the worker, whose context holds `db`, `objects`, `looker`; with the store down, again."""
    around = context.additional_context
    await make_thumbnails(around["db"], around["objects"], around["looker"], digests)

"""What the bytes of an image say, and its thumbnail; an original is only ever read (I2)."""

from __future__ import annotations

import asyncio
import hashlib
import io
from collections.abc import Sequence
from typing import Any

import procrastinate
import structlog
from PIL import Image, ImageOps
from sqlalchemy.ext.asyncio import AsyncConnection

from service.contract.pictures import LARGEST_JUDGED, judge
from service.database import Database, server_now, storable_json
from service.errors import Conflict, NotFound
from service.images.store import images_held, note_looked_at
from service.jobs import THUMBNAILS, defer_each
from service.objects import Objects, Original


class NotYetVerified(Conflict):
    slug, title = "objects-unverified", "A large file is not yet verified"


LONG_SIDE = 320

# Four times the largest still that common videoscopes write (common practice, no source).
MOST_PIXELS = 80_000_000

JPEG_END = b"\xff\xd9"

MADE, FAILED = "made", "failed"

PER_JOB = 200

THUMBNAIL_TASK = "images:make_thumbnails"

tasks = procrastinate.Blueprint()

log = structlog.get_logger(__name__)


class NoThumbnail(Exception):
    """The bytes hold no picture that can be made small; the text says why."""


class NotSound(Exception):
    """The store does not hold the bytes that the digest names; the text says what it does hold."""


def reduced(original: bytes) -> bytes:
    """A JPEG of at most 320 px on its long side, upright; a truncated picture shows what it has."""
    try:
        try:
            return _reduced(original)
        except OSError:
            # With an end marker the decoder gives the rows of a file cut short, and leaves the rest grey.
            return _reduced(original + JPEG_END)
    except NoThumbnail:
        raise
    except Exception as error:
        # Pillow raises many kinds of exceptions over broken files; each means the same here.
        raise NoThumbnail(f"{type(error).__name__}: {error}") from error


def _reduced(original: bytes) -> bytes:
    with Image.open(io.BytesIO(original)) as picture:
        if picture.width * picture.height > MOST_PIXELS:
            raise NoThumbnail(f"{picture.width} x {picture.height} pixels are too many")
        picture.draft("RGB", (2 * LONG_SIDE, 2 * LONG_SIDE))
        small = ImageOps.exif_transpose(picture).convert("RGB")
    small.thumbnail((LONG_SIDE, LONG_SIDE))
    out = io.BytesIO()
    small.save(out, "JPEG", quality=80)
    return out.getvalue()


async def make_thumbnails(db: Database, objects: Objects, digests: Sequence[str]) -> dict[str, str]:
    """Look at the images that nobody has looked at, and make their thumbnails; the outcome by digest. A
    failure is marked, not raised. An original that is not sound is left as it is: custody finds that, and
    orders the thumbnail again when the original is sound (order_lacking)."""
    async with db.begin() as connection:
        images = await images_held(connection, digests)
    outcomes = {}
    for digest, image in images.items():
        if image["thumbnail"] is not None:
            continue
        found: dict[str, Any] = {}
        try:
            if image["size"] > LARGEST_JUDGED:
                raise NoThumbnail(f"{image['size']} bytes are too many")
            data = await _sound_bytes(objects, Original(image["site"], digest))
            found = await asyncio.to_thread(_told_by, data)
            small = await asyncio.to_thread(reduced, data)
            await objects.write(objects.thumbnail_key(digest), small, "image/jpeg")
            outcomes[digest] = MADE
        except NoThumbnail as error:
            log.warning("no thumbnail", digest=digest, reason=str(error))
            outcomes[digest] = FAILED
        except NotSound as error:
            log.error("no thumbnail yet", digest=digest, reason=str(error))
            continue
        async with db.begin() as connection:
            await note_looked_at(connection, digest, {**found, "thumbnail": outcomes[digest]})
    return outcomes


async def _sound_bytes(objects: Objects, original: Original) -> bytes:
    try:
        data = await objects.read(original.key)
    except NotFound as error:
        raise NotSound("the store does not have the original") from error
    if hashlib.sha256(data).hexdigest() != original.digest:
        raise NotSound("the original's bytes in the store are not those it is named by")
    return data


def _told_by(original: bytes) -> dict[str, Any]:
    """What the bytes say of themselves: columns of images."""
    judged = judge(len(original), io.BytesIO(original))
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
    """Runs in the worker, whose context holds `db` and `objects`; a store that is down is tried again."""
    around = context.additional_context
    await make_thumbnails(around["db"], around["objects"], digests)

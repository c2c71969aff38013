"""Images, their sightings and their downloads."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.actions.keeping import AccessLog
from service.access.events import DOWNLOADED, OPENED
from service.access.rules import Act, Caller
from service.campaigns.store.places import places_of
from service.contract.pictures import MARKS_OF_BYTES
from service.contract.records import (
    Clocks,
    Download,
    ImageDetail,
    ImageSighting,
    PlacementFact,
)
from service.database import Database, Row
from service.errors import NotFound
from service.images.actions import MADE, NotYetVerified
from service.intake.rules.clocks import exif_as_read
from service.intake.store.seen import images_seen
from service.objects import Objects
from service.objects.naming import Original
from service.records.actions.history import named_places
from service.records.store.images import (
    SightingKey,
    image_by_digest,
    is_awaited,
    placements_of,
    sites_seen,
    visible_sightings,
)
from service.walls import read_across_sites

DOWNLOAD_SECONDS = 300

SIGHTINGS_PER_PAGE = 100
# For the sites at which a picture that somebody opens came in: few came in more often.
SIGHTINGS_LOOKED_AT = 20


async def visible_image(connection: AsyncConnection, caller: Caller, digest: str) -> Row:
    """An image of which the caller may see a sighting; raises NotFound, or NotYetVerified. One that other
    sites alone have is answered as one that is not there."""
    image, _ = await _image_and_sites(connection, caller, digest, sightings=1)
    return image


async def _image_and_sites(
    connection: AsyncConnection, caller: Caller, digest: str, *, sightings: int
) -> tuple[Row, set[str]]:
    """As `visible_image`, with the sites of the first of its sightings."""
    caller.must(Act.READ)
    # A picture is the caller's where it came in, and where it stands: `visible_sightings` looks at both.
    await read_across_sites(connection)
    seen = await visible_sightings(connection, digest, caller.sites, limit=sightings)
    image = await image_by_digest(connection, digest, caller.sites) if seen else None
    if image is None and await is_awaited(connection, digest, caller.sites):
        raise NotYetVerified(
            f"File {digest} came in on a card and is not yet verified.",
            consequence="It is not held yet and no receipt names it. Do not wipe the card it is on.",
            next_step="Look again when the agent has sent all of it and the service has read it back.",
        )
    if image is None:
        raise NotFound(
            f"No image {digest} came in at your sites.",
            next_step="Take the digest from the history of a unit or from a receipt.",
        )
    return image, {sighting["site"] for sighting in seen}


async def read_image(
    db: Database,
    caller: Caller,
    digest: str,
    after: SightingKey | None = None,
    limit: int = SIGHTINGS_PER_PAGE,
) -> tuple[ImageDetail, SightingKey | None]:
    """An image, a page of the sightings of it that the caller may see with every placement of those, and the
    key that the next page begins after."""
    async with db.begin() as connection:
        image = await visible_image(connection, caller, digest)
        found = await visible_sightings(connection, digest, caller.sites, after=after, limit=limit + 1)
        sightings = found[:limit]
        facts = await placements_of(connection, [row["id"] for row in sightings])
        places = (await places_of(connection, [digest], caller.sites))[digest]
    stands_at, stands_more = named_places(places)
    names = (
        "digest",
        "size",
        "looked_at",
        "format",
        "width",
        "height",
        "exif",
        "verified_at",
        "no_thumbnail",
    )
    detail = ImageDetail(
        **{name: image[name] for name in names},
        marks=[mark for mark in image["marks"] if mark in MARKS_OF_BYTES],
        thumbnail=image["thumbnail"] == MADE,
        stands_at=stands_at,
        stands_more=stands_more,
        sightings=[_sighting(row, image, facts) for row in sightings],
    )
    last = sightings[-1] if len(found) > limit else None
    return detail, (last["card_return_id"], last["ordinal"]) if last is not None else None


def _sighting(row: Row, image: Row, facts: Sequence[Row]) -> ImageSighting:
    same = ("id", "card_return_id", "card_id", "site", "agent", "person", "scope", "path", "kind", "marks")
    return ImageSighting(
        **{name: row[name] for name in same},
        path_bytes=bytes(row["path_bytes"]),
        clocks=Clocks(
            exif=exif_as_read(image["exif"] if image["looked_at"] is not None else row["exif"]),
            file_system=row["modified"],
            read_at=row["read_at"],
            received_at=row["received_at"],
        ),
        placements=[_placement(fact) for fact in facts if fact["sighting_id"] == row["id"]],
    )


def _placement(fact: Row) -> PlacementFact:
    renamed = {"location": fact["location_key"], "claimed_location": fact["claimed_key"]}
    same = {name: fact[name] for name in PlacementFact.__struct_fields__ if name not in renamed}
    return PlacementFact(**same, **renamed)


async def download(
    db: Database, objects: Objects, log: AccessLog, caller: Caller, digest: str, *, opened: bool = False
) -> Download:
    """A short-lived address of the original bytes; `opened`: a browser is led there at once, to show it."""
    async with db.begin() as connection:
        image, seen_at = await _image_and_sites(connection, caller, digest, sightings=SIGHTINGS_LOOKED_AT)
        sites = await sites_seen(connection, digest, caller.sites)
    original = await _readable(objects, image, sites)
    expires_at = await objects.now() + timedelta(seconds=DOWNLOAD_SECONDS)
    url = objects.presign_get(original.key, digest + _suffix(image["format"]), DOWNLOAD_SECONDS)
    log.read(caller, OPENED if opened else DOWNLOADED, digest, seen_at)
    return Download(url=url, expires_at=expires_at, sha256=digest, size=image["size"])


async def _readable(objects: Objects, image: Row, sites: Sequence[str]) -> Original:
    """The name to read an image by. The address shows whose it is, so it is that of a site whose sighting the
    caller may see, where the store has the bytes."""
    digest, lies_at = image["digest"], image["site"]
    for site in sites if lies_at not in sites else ():
        stat = await objects.stat(Original(site, digest).key)
        if stat is not None and stat.size == image["size"]:
            return Original(site, digest)
    return Original(lies_at, digest)


def _suffix(format_name: str | None) -> str:
    known = {"JPEG": ".jpg", "PNG": ".png", "TIFF": ".tif", "BMP": ".bmp", "MP4": ".mp4", "AVI": ".avi"}
    return known.get((format_name or "").upper(), ".bin")


async def held_among(db: Database, caller: Caller, digests: Sequence[str]) -> list[str]:
    """The digests that the caller's sites hold, in the order asked: recorded there, and not found unsound
    since."""
    caller.must(Act.READ_CARD)
    async with db.begin() as connection:
        seen = await images_seen(connection, digests, caller.sites)
    known = {digest for digest, image in seen.items() if image["unsound_at"] is None}
    return [digest for digest in dict.fromkeys(digests) if digest in known]


async def thumbnail(db: Database, objects: Objects, caller: Caller, digest: str) -> str:
    """A short-lived address of an image's thumbnail; raises NotFound while there is none."""
    async with db.begin() as connection:
        image = await visible_image(connection, caller, digest)
    if image["thumbnail"] != MADE:
        why = f": {image['no_thumbnail']}" if image["no_thumbnail"] else ""
        raise NotFound(
            f"There is no thumbnail of image {digest}{why}.",
            consequence="The original is held and can be downloaded.",
            next_step="Download the original.",
        )
    return objects.presign_get(objects.thumbnail_key(digest), f"{digest}.jpg", DOWNLOAD_SECONDS)

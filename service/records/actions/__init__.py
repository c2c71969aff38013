"""Units with their dated positions, the history of a serial number, images and their downloads."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access import store as access
from service.access.rules import Act, Caller
from service.contract.pictures import MARKS_OF_BYTES
from service.contract.problem import ProblemError
from service.contract.records import (
    Clocks,
    Download,
    HistoryItem,
    ImageDetail,
    ImageSighting,
    PlacementFact,
    PositionIn,
    StandingPlace,
    Unit,
    UnitDetail,
    UnitIn,
    UnitPosition,
)
from service.database import Database, Row, server_now
from service.errors import Conflict, Invalid, NotFound
from service.objects import Objects
from service.records import store
from service.records.actions.thumbnails import MADE
from service.records.rules import exif_as_read, nearest
from service.records.store import history, places, reading

DOWNLOAD_SECONDS = 300
SIGHTINGS_PER_PAGE = 100


class NotYetVerified(Conflict):
    slug, title = "objects-unverified", "A large file is not yet verified"


async def create_unit(db: Database, caller: Caller, serial: str, body: UnitIn) -> UnitDetail:
    """Record a new unit; the same request again answers the same unit (I8)."""
    caller.must(Act.RUN_CAMPAIGN, body.site)
    async with db.begin() as connection:
        site_id = await _known_site(connection, body.site)
        kind = await reading.type_and_build(connection, body.type, body.build)
        if kind is None:
            raise Invalid(
                f"There is no build {body.build} of an equipment type {body.type}.",
                next_step="Use a type and build of the plan library.",
            )
        now = server_now()
        added = await store.insert_unit(
            connection,
            {
                "id": body.id,
                "serial": serial,
                **kind,
                "site_id": site_id,
                "position": body.position,
                "created_at": now,
                "invented": body.invented,
            },
        )
        if added:
            await store.insert_position(connection, _position_row(body.id, body.id, site_id, body, now))
        found = await reading.unit(connection, serial)
        if found is None or not await _same_unit(connection, found, body):
            raise Conflict(
                f"Serial {serial} or the id {body.id} is taken by another unit.",
                next_step="Look the serial up; record a new position if the unit was moved.",
            )
        return await _detail(connection, found)


def _position_row(
    position_id: UUID, unit_id: UUID, site_id: UUID, body: UnitIn | PositionIn, now: datetime
) -> dict[str, Any]:
    return {
        "id": position_id,
        "unit_id": unit_id,
        "site_id": site_id,
        "position": body.position,
        "since": body.since,
        "recorded_at": now,
    }


async def _same_unit(connection: AsyncConnection, found: Row, body: UnitIn) -> bool:
    """True when the unit was created by this very request, wherever it stands today."""
    first = await reading.position(connection, body.id)
    return (
        (found["id"], found["type"], found["build"], found["invented"])
        == (body.id, body.type, body.build, body.invented)
        and first is not None
        and (first["site"], first["position"], first["since"]) == (body.site, body.position, body.since)
    )


async def move_unit(db: Database, caller: Caller, serial: str, body: PositionIn) -> UnitDetail:
    """Record where a unit stands from a date on; it stands at the position with the newest date."""
    caller.must(Act.RUN_CAMPAIGN, body.site)
    async with db.begin() as connection:
        found = await visible_unit(connection, caller, serial)
        caller.must(Act.RUN_CAMPAIGN, found["site"])
        site_id = await _known_site(connection, body.site)
        row = _position_row(body.id, found["id"], site_id, body, server_now())
        await store.lock_unit(connection, found["id"])
        await store.insert_position(connection, row)
        held = await reading.position(connection, body.id)
        assert held is not None
        if any(held[name] != row[name] for name in ("unit_id", "site_id", "position", "since")):
            raise Conflict(
                f"Position {body.id} is recorded with other content.",
                next_step="Use a new id for a new position.",
            )
        newest = (await reading.positions(connection, found["id"]))[0]
        await store.set_position(connection, found["id"], newest["site_id"], newest["position"])
        changed = await reading.unit(connection, serial)
        assert changed is not None
        return await _detail(connection, changed)


async def _known_site(connection: AsyncConnection, code: str) -> UUID:
    found = await access.site(connection, code)
    if found is None:
        raise Invalid(f"There is no site {code}.", next_step="Use the code of a recorded site.")
    site_id: UUID = found["id"]
    return site_id


async def _detail(connection: AsyncConnection, row: Row) -> UnitDetail:
    positions = await reading.positions(connection, row["id"])
    return UnitDetail(
        **{name: row[name] for name in Unit.__struct_fields__},
        positions=[
            UnitPosition(**{name: item[name] for name in UnitPosition.__struct_fields__})
            for item in positions
        ],
    )


async def visible_unit(connection: AsyncConnection, caller: Caller, serial: str) -> Row:
    """A unit the caller may see; raises NotFound that names the serials most like the one asked for."""
    found = await reading.visible_unit(connection, serial, caller.sites)
    if found is not None:
        return found
    alike = nearest(serial, await reading.serials_like(connection, serial, caller.sites))
    raise NotFound(
        f"There is no unit {serial} at your sites.",
        next_step="Pick or scan the serial number; the nearest known ones are listed." if alike else None,
        errors=[ProblemError(detail=other, path=f"/api/v1/units/{other}") for other in alike],
    )


async def list_units(
    db: Database,
    caller: Caller,
    *,
    search: str | None,
    site: str | None,
    type_code: str | None,
    after: str | None,
    limit: int,
) -> list[Unit]:
    """Units the caller may see, by ascending serial, after the serial `after`."""
    caller.must(Act.READ, site)
    async with db.begin() as connection:
        rows = await reading.units_page(
            connection,
            site_codes=caller.sites,
            search=search,
            site=site,
            type_code=type_code,
            after=after,
            limit=limit,
        )
    return [Unit(**{name: row[name] for name in Unit.__struct_fields__}) for row in rows]


async def read_unit(db: Database, caller: Caller, serial: str) -> UnitDetail:
    """A unit with its positions."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        return await _detail(connection, await visible_unit(connection, caller, serial))


async def unit_history(
    db: Database,
    caller: Caller,
    serial: str,
    wanted: history.Wanted,
    after: tuple[datetime, UUID] | None,
    limit: int,
) -> list[HistoryItem]:
    """Images of a unit, the newest first. Who has the unit at his site sees all of it; who had it there
    once sees what was inspected there."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        unit = await visible_unit(connection, caller, serial)
        if not caller.at(unit["site"]):
            wanted = history.limited(wanted, caller.sites)
        rows = await history.history_page(connection, unit["id"], wanted, after, limit)
        shared = {row["digest"] for row in rows if row["elsewhere"]}
        standing = await places.places_of(connection, shared, caller.sites)
    return [_history_item(row, standing.get(row["digest"], ())) for row in rows]


def _history_item(row: Row, standing: Sequence[Row]) -> HistoryItem:
    """`standing`: places where the image counts, if one of them is another than this."""
    made_here = {"location", "element", "clocks", "thumbnail", "moved", "also_at", "also_more"}
    same = {name: row[name] for name in HistoryItem.__struct_fields__ if name not in made_here}
    here = (row["inspection_id"], row["location_key"])
    others = [
        place
        for place in standing
        if (place["inspection_id"], place["location_key"]) != here
        and (place["location_key"] or place["unit_id"] != row["unit_id"])
    ]
    also_at, also_more = _named(others)
    return HistoryItem(
        **same,
        location=row["location_key"] or None,
        element=row["element"] or None,
        clocks=clocks(row),
        thumbnail=row["thumbnail"] == MADE,
        moved=row["move_id"] is not None,
        also_at=also_at,
        also_more=also_more,
    )


async def places_counting(
    db: Database, caller: Caller, digests: Collection[str]
) -> dict[str, tuple[list[StandingPlace], bool]]:
    """By image the first locations where it counts, and whether there are more."""
    async with db.begin() as connection:
        standing = await places.places_of(connection, set(digests), caller.sites)
    return {digest: _named([row for row in rows if row["location_key"]]) for digest, rows in standing.items()}


def _named(standing: Sequence[Row]) -> tuple[list[StandingPlace], bool]:
    """The first places, and whether there are more."""
    named = [
        StandingPlace(unit=row["serial"], campaign=row["campaign"], location=row["location_key"] or None)
        if row["visible"]
        else StandingPlace(unit=None, campaign=None, location=None)
        for row in standing[: places.PLACES_NAMED]
    ]
    return named, len(standing) > places.PLACES_NAMED


def clocks(row: Row) -> Clocks:
    """The four clocks (I9) of a row that carries a sighting and its image's Exif."""
    return Clocks(
        exif=exif_as_read(row["exif"]),
        file_system=row["modified"],
        read_at=row["read_at"],
        received_at=row["received_at"],
    )


async def visible_image(connection: AsyncConnection, caller: Caller, digest: str) -> Row:
    """An image of which the caller may see a sighting; raises NotFound, or NotYetVerified."""
    caller.must(Act.READ)
    image = await reading.image(connection, digest)
    seen = image is not None and await reading.visible_sightings(connection, digest, caller.sites)
    if image is None and await reading.is_awaited(connection, digest, caller.sites):
        raise NotYetVerified(
            f"File {digest} came in on a card and is not yet verified.",
            consequence="It is not held yet and no receipt names it. Do not wipe the card it is on.",
            next_step="Look again when the agent has sent all of it and the service has read it back.",
        )
    if image is None or not seen:
        raise NotFound(
            f"No image {digest} came in at your sites.",
            next_step="Take the digest from the history of a unit or from a receipt.",
        )
    return image


async def read_image(
    db: Database,
    caller: Caller,
    digest: str,
    after: reading.SightingKey | None = None,
    limit: int = SIGHTINGS_PER_PAGE,
) -> tuple[ImageDetail, reading.SightingKey | None]:
    """An image, a page of the sightings of it that the caller may see with every placement of those, and the
    key that the next page begins after."""
    async with db.begin() as connection:
        image = await visible_image(connection, caller, digest)
        found = await reading.visible_sightings(
            connection, digest, caller.sites, after=after, limit=limit + 1
        )
        sightings = found[:limit]
        facts = await reading.placements_of(connection, [row["id"] for row in sightings])
        standing = (await places.places_of(connection, [digest], caller.sites))[digest]
    stands_at, stands_more = _named(standing)
    names = ("digest", "size", "looked_at", "format", "width", "height", "exif", "verified_at")
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


async def download(db: Database, objects: Objects, caller: Caller, digest: str) -> Download:
    """A short-lived address of the original bytes."""
    async with db.begin() as connection:
        image = await visible_image(connection, caller, digest)
    expires_at = await objects.now() + timedelta(seconds=DOWNLOAD_SECONDS)
    url = objects.presign_get(
        objects.original_key(digest), digest + _suffix(image["format"]), DOWNLOAD_SECONDS
    )
    return Download(url=url, expires_at=expires_at, sha256=digest, size=image["size"])


def _suffix(format_name: str | None) -> str:
    known = {"JPEG": ".jpg", "PNG": ".png", "TIFF": ".tif", "BMP": ".bmp", "MP4": ".mp4", "AVI": ".avi"}
    return known.get((format_name or "").upper(), ".bin")


async def held_among(db: Database, caller: Caller, digests: Sequence[str]) -> list[str]:
    """Those of the digests that are held, in the order asked: who names a digest has or had the bytes."""
    caller.must(Act.READ_CARD)
    async with db.begin() as connection:
        held = await store.digests_held(connection, digests)
    return [digest for digest in dict.fromkeys(digests) if digest in held]


async def thumbnail(db: Database, objects: Objects, caller: Caller, digest: str) -> str:
    """A short-lived address of an image's thumbnail; raises NotFound while there is none."""
    async with db.begin() as connection:
        image = await visible_image(connection, caller, digest)
    if image["thumbnail"] != MADE:
        raise NotFound(
            f"There is no thumbnail of image {digest}.",
            consequence="The original is held and can be downloaded.",
            next_step="Download the original.",
        )
    return objects.presign_get(objects.thumbnail_key(digest), f"{digest}.jpg", DOWNLOAD_SECONDS)

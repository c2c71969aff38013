"""The rows of a verified manifest: images, sightings, placement facts, and what units show."""

from __future__ import annotations

from collections import Counter
from collections.abc import AsyncIterator, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Caller
from service.campaigns.actions import add_pictures
from service.contract.cards import ManifestFile, exact_path
from service.contract.wire import new_id
from service.database import Row
from service.intake import store
from service.intake.rules import (
    PICTURES,
    Home,
    Place,
    Verdict,
    counts_as_held,
    judge,
    storable,
    storable_json,
)
from service.records import store as records
from service.records.rules import taken_at, wants_thumbnail


@dataclass(frozen=True, slots=True)
class Seen:
    """One file of the manifest on its way into the tables."""

    id: UUID
    ordinal: int
    file: ManifestFile
    verdict: Verdict

    @property
    def exif(self) -> dict[str, str]:
        return self.file.picture.exif if self.file.picture is not None else {}


async def gather_images(
    connection: AsyncConnection, parts: AsyncIterator[list[ManifestFile]], now: datetime
) -> set[str]:
    """Write the images of a manifest that are not held yet; the digests that were new."""

    async def rows() -> AsyncIterator[list[dict[str, Any]]]:
        met: set[str] = set()
        async for files in parts:
            firsts = {file.sha256: file for file in reversed(files) if file.sha256 not in met}
            met.update(firsts)
            yield [_image_row(file, now) for file in firsts.values()]

    return await records.gather_images(connection, rows())


@dataclass(slots=True)
class Recorder:
    """Writes a manifest whose objects the store was seen to hold, some files at a time, in order.

    The inspections in `homes` are locked, the images are written, `new` are those that were not held.
    """

    connection: AsyncConnection
    caller: Caller
    card_return: Row
    homes: Mapping[UUID, Home]
    own: UUID | None
    now: datetime
    new: set[str]
    files: int = 0
    not_placed: int = 0
    remarks: Counter[str] = field(default_factory=Counter)
    thumbnails: set[str] = field(default_factory=set)
    _changes: Counter[tuple[UUID, str]] = field(default_factory=Counter)

    async def record(self, files: Sequence[ManifestFile]) -> None:
        """Write the next files."""
        site = self.card_return["site"]
        seen = [
            Seen(new_id(), ordinal, file, judge(file.placement, self.homes, site, self.own))
            for ordinal, file in enumerate(files, self.files)
        ]
        self.files += len(files)
        images = await records.kinds_held(self.connection, {file.sha256 for file in files})
        rows = [_sighting_row(item, self.card_return["id"], self.now) for item in seen]
        await records.insert_rows(self.connection, records.sightings, rows)
        pictures = [item for item in seen if images[item.file.sha256]["kind"] in PICTURES]
        await self._write_facts(seen, pictures)
        await self._show(pictures, images)
        self.remarks.update(item.verdict.remark for item in seen if item.verdict.remark)
        self.not_placed += sum(
            1 for item in pictures if not (item.verdict.place and item.verdict.place.location_key)
        )
        self.thumbnails.update(
            digest
            for digest, image in images.items()
            if digest in self.new and wants_thumbnail(image["kind"], image["marks"])
        )

    async def _write_facts(self, seen: Sequence[Seen], pictures: Sequence[Seen]) -> None:
        placed = [item for item in seen if item.verdict.claim is not None]
        placed += [item for item in pictures if item.verdict.claim is None]
        facts = [fact for item in placed if (fact := _fact_row(item, self.caller, self.now)) is not None]
        await records.insert_rows(self.connection, store.placements, facts)

    async def _show(self, pictures: Iterable[Seen], images: Mapping[str, Row]) -> None:
        """Show the pictures at their places."""
        zone = ZoneInfo(self.card_return["time_zone"])
        at_place: dict[tuple[Place, str], list[Seen]] = {}
        for item in pictures:
            if item.verdict.place is not None:
                at_place.setdefault((item.verdict.place, item.file.sha256), []).append(item)
        rows = [_shown_row(place, items, self.homes, zone) for (place, _), items in at_place.items()]
        self._changes.update(await _exchange_shown(self.connection, (), rows, images))

    async def count(self) -> None:
        """At the end: tell campaigns the pictures that locations did not have before."""
        await count_pictures(self.connection, self._changes)


def _image_row(file: ManifestFile, now: datetime) -> dict[str, Any]:
    picture = file.picture
    return {
        "digest": file.sha256,
        "size": file.size,
        "kind": file.kind,
        "format": storable(picture.format) if picture else None,
        "width": picture.width if picture else None,
        "height": picture.height if picture else None,
        "exif": storable_json(picture.exif) if picture else {},
        "marks": file.marks,
        "verified_at": now,
        "thumbnail": None,
    }


def _sighting_row(item: Seen, return_id: UUID, now: datetime) -> dict[str, Any]:
    file = item.file
    return {
        "id": item.id,
        "card_return_id": return_id,
        "ordinal": item.ordinal,
        "digest": file.sha256,
        "path": storable(file.path),
        "path_bytes": records.as_bytea(exact_path(file.path, file.path_bytes)),
        "modified": storable(file.modified) if file.modified is not None else None,
        "read_at": file.read_at,
        "received_at": now,
        "marks": file.marks,
    }


def _said(item: Seen) -> dict[str, Any]:
    """What the claim says besides the place."""
    claim = item.verdict.claim
    words = {name: getattr(claim, name, None) for name in ("evaluation", "condition", "note")}
    return {
        **{name: storable(word) if word is not None else None for name, word in words.items()},
        "element_last": claim.element_last if claim is not None else None,
    }


def _fact_row(item: Seen, caller: Caller, now: datetime) -> dict[str, Any] | None:
    verdict = item.verdict
    if verdict.place is None:
        return None
    claimed_key = verdict.claimed_key
    return {
        "id": new_id(),
        "sighting_id": item.id,
        "inspection_id": verdict.place.inspection_id,
        "location_key": verdict.place.location_key or None,
        "claimed_key": storable(claimed_key) if claimed_key is not None else None,
        "element": verdict.place.element or None,
        **_said(item),
        "rule": verdict.rule,
        "confidence": verdict.claim.confidence if verdict.claim is not None else 1.0,
        "account_id": caller.account_id,
        "agent_id": caller.agent_id,
        "move_id": None,
        "recorded_at": now,
        "replaces": [],
    }


def _shown_row(
    place: Place, items: Sequence[Seen], homes: Mapping[UUID, Home], zone: ZoneInfo
) -> dict[str, Any]:
    first = items[0]
    taken = taken_at(first.exif, first.file.modified, first.file.read_at, zone)
    return {
        "id": new_id(),
        "unit_id": homes[place.inspection_id].unit_id,
        **place._asdict(),
        "digest": first.file.sha256,
        **_said(first),
        "first_sighting_id": first.id,
        "sightings": len(items),
        "taken_at": taken.at,
        "taken_basis": taken.basis,
    }


async def change_shown(
    connection: AsyncConnection,
    gone: Sequence[Row],
    rows: Sequence[Mapping[str, Any]],
    images: Mapping[str, Row],
) -> None:
    """Take rows out of unit_images, add others, and tell campaigns what each location gained and lost.

    The inspections concerned are locked, so that what was read before still holds after.
    """
    await count_pictures(connection, await _exchange_shown(connection, gone, rows, images))


async def _exchange_shown(
    connection: AsyncConnection,
    gone: Sequence[Row],
    rows: Sequence[Mapping[str, Any]],
    images: Mapping[str, Row],
) -> Counter[tuple[UUID, str]]:
    """The same without telling: what each location gained and lost."""
    inspections = {row["inspection_id"] for row in gone} | {row["inspection_id"] for row in rows}
    digests = {row["digest"] for row in gone} | {row["digest"] for row in rows}
    before = left = await records.images_at(connection, inspections, digests)
    if gone:
        await records.delete_unit_images(connection, [row["id"] for row in gone])
        left = await records.images_at(connection, inspections, digests)
    await records.add_unit_images(connection, rows)
    after = left | {(row["inspection_id"], row["location_key"], row["digest"]) for row in rows}
    # Campaigns count what is open at an inspection also where no location gained or lost a picture.
    changes = Counter({(inspection_id, ""): 0 for inspection_id in inspections})
    changes.update(_counted(after - before, images))
    changes.subtract(_counted(before - after, images))
    return changes


def _counted(shown: Iterable[tuple[UUID, str, str]], images: Mapping[str, Row]) -> Iterable[tuple[UUID, str]]:
    for inspection_id, location_key, digest in shown:
        if location_key and counts_as_held(images[digest]["kind"], images[digest]["marks"]):
            yield inspection_id, location_key


async def count_pictures(connection: AsyncConnection, changes: Mapping[tuple[UUID, str], int]) -> None:
    """Tell campaigns how many more (or fewer) pictures each location of an inspection holds; at an inspection
    that is named at all, what is shown may have changed."""
    by_inspection: dict[UUID, dict[str, int]] = {}
    for (inspection_id, location_key), number in changes.items():
        by_inspection.setdefault(inspection_id, {})[location_key] = number
    for inspection_id in sorted(by_inspection):
        await add_pictures(connection, inspection_id, by_inspection[inspection_id])

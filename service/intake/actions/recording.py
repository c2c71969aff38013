"""The rows of a verified manifest: images, sightings, placement facts, and what units show."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
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
    placing_remarks,
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


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a manifest added: sizes of the new images by digest, pictures without a location, remarks."""

    new: dict[str, int]
    not_placed: int
    remarks: list[str]
    thumbnails: list[str]


async def record_files(
    connection: AsyncConnection,
    caller: Caller,
    card_return: Row,
    files: Sequence[ManifestFile],
    homes: Mapping[UUID, Home],
    own: UUID | None,
    now: datetime,
) -> Recorded:
    """Write a manifest whose objects the store was seen to hold. The inspections in `homes` are locked."""
    seen = [
        Seen(new_id(), ordinal, file, judge(file.placement, homes, card_return["site"], own))
        for ordinal, file in enumerate(files)
    ]
    firsts = {item.file.sha256: item for item in reversed(seen)}
    new = await records.insert_images(connection, [_image_row(item, now) for item in firsts.values()])
    images = await records.images_held(connection, firsts)
    rows = [_sighting_row(item, card_return["id"], now) for item in seen]
    await records.insert_rows(connection, records.sightings, rows)
    pictures = [item for item in seen if images[item.file.sha256]["kind"] in PICTURES]
    placed = [item for item in seen if item.verdict.claim is not None]
    placed += [item for item in pictures if item.verdict.claim is None]
    facts = [fact for item in placed if (fact := _fact_row(item, caller, now)) is not None]
    await records.insert_rows(connection, store.placements, facts)
    await _show(connection, pictures, homes, images, ZoneInfo(card_return["time_zone"]))
    return Recorded(
        new={digest: images[digest]["size"] for digest in new},
        not_placed=sum(
            1 for item in pictures if not (item.verdict.place and item.verdict.place.location_key)
        ),
        remarks=placing_remarks(item.verdict for item in seen),
        thumbnails=sorted(d for d in new if wants_thumbnail(images[d]["kind"], images[d]["marks"])),
    )


def _image_row(item: Seen, now: datetime) -> dict[str, Any]:
    file, picture = item.file, item.file.picture
    return {
        "digest": file.sha256,
        "size": file.size,
        "kind": file.kind,
        "format": storable(picture.format) if picture else None,
        "width": picture.width if picture else None,
        "height": picture.height if picture else None,
        "exif": storable_json(item.exif),
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


async def _show(
    connection: AsyncConnection,
    pictures: Iterable[Seen],
    homes: Mapping[UUID, Home],
    images: Mapping[str, Row],
    zone: ZoneInfo,
) -> None:
    """Show the pictures at their places and count those that a location did not have before."""
    at_place: dict[tuple[Place, str], list[Seen]] = {}
    for item in pictures:
        if item.verdict.place is not None:
            at_place.setdefault((item.verdict.place, item.file.sha256), []).append(item)
    rows = [_shown_row(place, items, homes, zone) for (place, _), items in at_place.items()]
    await change_shown(connection, (), rows, images)


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
    inspections = {row["inspection_id"] for row in gone} | {row["inspection_id"] for row in rows}
    digests = {row["digest"] for row in gone} | {row["digest"] for row in rows}
    before = await records.images_at(connection, inspections, digests)
    if gone:
        await records.delete_unit_images(connection, [row["id"] for row in gone])
    await records.add_unit_images(connection, rows)
    after = await records.images_at(connection, inspections, digests)
    changes = Counter(_counted(after - before, images))
    changes.subtract(_counted(before - after, images))
    await count_pictures(connection, changes)


def _counted(shown: Iterable[tuple[UUID, str, str]], images: Mapping[str, Row]) -> Iterable[tuple[UUID, str]]:
    for inspection_id, location_key, digest in shown:
        if location_key and counts_as_held(images[digest]["kind"], images[digest]["marks"]):
            yield inspection_id, location_key


async def count_pictures(connection: AsyncConnection, changes: Mapping[tuple[UUID, str], int]) -> None:
    """Tell campaigns how many more (or fewer) pictures each location of an inspection holds."""
    by_inspection: dict[UUID, dict[str, int]] = {}
    for (inspection_id, location_key), number in changes.items():
        by_inspection.setdefault(inspection_id, {})[location_key] = number
    for inspection_id in sorted(by_inspection):
        await add_pictures(connection, inspection_id, by_inspection[inspection_id])

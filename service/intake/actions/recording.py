"""The rows of a verified manifest: images, sightings, placement facts, and what units show."""

from __future__ import annotations

from collections import Counter
from collections.abc import AsyncIterator, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Caller
from service.campaigns.rules import Inspection
from service.contract.cards import PICTURES, ManifestFile, exact_path
from service.contract.wire import new_id
from service.database import as_bytea, insert_rows, storable, storable_json
from service.facts.store import append
from service.images import store as images_rows
from service.intake.actions.lacking import order_reading_of
from service.intake.rules.clocks import taken_at
from service.intake.rules.manifests import wants_thumbnail
from service.intake.rules.placing import Verdict, judge
from service.intake.store.card_return import CardReturn
from service.intake.store.seen import images_seen
from service.intake.store.showing import show_anew
from service.intake.store.sighting import first_wanted
from service.intake.store.tables import placements, sightings


@dataclass(frozen=True, slots=True)
class Seen:
    """One file of the manifest on its way into the tables."""

    id: UUID
    ordinal: int
    file: ManifestFile
    verdict: Verdict


async def gather_images(
    connection: AsyncConnection, site: str, parts: AsyncIterator[list[ManifestFile]], now: datetime
) -> set[str]:
    """Write the images of a manifest that are not recorded yet, as they lie under the name of the site;
    returns the digests that were new."""

    async def rows() -> AsyncIterator[list[dict[str, Any]]]:
        met: set[str] = set()
        async for files in parts:
            firsts = {file.sha256: file for file in reversed(files) if file.sha256 not in met}
            met.update(firsts)
            yield [_image_row(file, site, now) for file in firsts.values()]

    return await images_rows.gather_images(connection, rows())


async def new_at_site(
    connection: AsyncConnection, site: str, unknown: Collection[str], brought: Collection[str]
) -> set[str]:
    """Which of the digests that a site did not know before it now brings first: those of which an image was
    just written (`brought`), and those that other sites alone have brought, whose bytes it has sent as well.

    Should custody have found the others' bytes unsound, it is ordered to look for those that came now.
    """
    others = set(unknown) - set(brought)
    if not others:
        return set(brought)
    rows = await images_rows.images_held(connection, others)
    unsound = sorted(digest for digest, row in rows.items() if row["unsound_at"] is not None)
    await order_reading_of(connection, unsound)
    return set(brought) | others - (await images_seen(connection, others, {site})).keys()


@dataclass(slots=True)
class Recorder:
    """Writes a manifest whose objects the store was seen to hold, some files at a time, in order.

    The inspections in `inspections` are locked, the images are written.
    """

    connection: AsyncConnection
    caller: Caller
    card_return: CardReturn
    inspections: Mapping[UUID, Inspection]
    own: UUID | None
    now: datetime
    files: int = 0
    not_placed: int = 0
    remarks: Counter[str] = field(default_factory=Counter)
    thumbnails: set[str] = field(default_factory=set)

    async def record(self, files: Sequence[ManifestFile]) -> None:
        """Write the next files."""
        site, zone = self.card_return.site, ZoneInfo(self.card_return.time_zone)
        seen = [
            Seen(new_id(), ordinal, file, judge(file.placement, self.inspections, site, self.own))
            for ordinal, file in enumerate(files, self.files)
        ]
        self.files += len(files)
        rows = [_sighting_row(item, self.card_return.id, zone, self.now) for item in seen]
        await insert_rows(self.connection, sightings, rows)
        pictures = [item for item in seen if item.file.kind in PICTURES]
        await self._write_facts(seen, pictures)
        await self._show(pictures)
        self.remarks.update(item.verdict.remark for item in seen if item.verdict.remark)
        self.not_placed += sum(
            1 for item in pictures if not (item.verdict.place and item.verdict.place.location_key)
        )
        wanted = {file.sha256 for file in files if wants_thumbnail(file)}
        self.thumbnails |= await first_wanted(self.connection, self.card_return.id, wanted)

    async def _write_facts(self, seen: Sequence[Seen], pictures: Sequence[Seen]) -> None:
        placed = [item for item in seen if item.verdict.claim is not None]
        placed += [item for item in pictures if item.verdict.claim is None]
        facts = [_placement(item, self.inspections) for item in placed if item.verdict.place]
        await append(
            self.connection,
            placements,
            facts,
            self.caller,
            card_return_id=self.card_return.id,
            at=self.now,
        )

    async def _show(self, pictures: Iterable[Seen]) -> None:
        """Show the pictures at their places."""
        placed = [item for item in pictures if item.verdict.place is not None]
        at = {item.verdict.place.inspection_id for item in placed if item.verdict.place}
        if placed:
            digests = {item.file.sha256 for item in placed}
            await show_anew(self.connection, at, digests)


def _image_row(file: ManifestFile, site: str, now: datetime) -> dict[str, Any]:
    """The row names the bytes alone; until the service looks at them, the sightings say what they are."""
    return {"digest": file.sha256, "size": file.size, "site": site, "verified_at": now}


def _sighting_row(item: Seen, return_id: UUID, zone: ZoneInfo, now: datetime) -> dict[str, Any]:
    file, picture = item.file, item.file.picture
    exif = picture.exif if picture is not None else {}
    taken = taken_at(exif, file.modified, file.read_at, now, zone)
    return {
        "id": item.id,
        "card_return_id": return_id,
        "ordinal": item.ordinal,
        "digest": file.sha256,
        "path": storable(file.path),
        "path_bytes": as_bytea(exact_path(file.path, file.path_bytes)),
        "modified": storable(file.modified) if file.modified is not None else None,
        "read_at": file.read_at,
        "received_at": now,
        "kind": file.kind,
        "marks": file.marks,
        "format": storable(picture.format) if picture is not None else None,
        "width": picture.width if picture is not None else None,
        "height": picture.height if picture is not None else None,
        "exif": storable_json(exif),
        "taken_at": taken.at,
        "taken_basis": taken.basis,
    }


def _claim_words(item: Seen) -> dict[str, Any]:
    """What the claim says besides the place."""
    claim = item.verdict.claim
    words = {name: getattr(claim, name, None) for name in ("evaluation", "condition", "note")}
    return {
        **{name: storable(word) if word is not None else None for name, word in words.items()},
        "element_last": claim.element_last if claim is not None else None,
    }


def _placement(item: Seen, inspections: Mapping[UUID, Inspection]) -> dict[str, Any]:
    verdict, claim = item.verdict, item.verdict.claim
    place, claimed_key = verdict.place, verdict.claimed_key
    assert place is not None
    return {
        "id": new_id(),
        "sighting_id": item.id,
        "inspection_id": place.inspection_id,
        "location_key": place.location_key or None,
        "claimed_key": storable(claimed_key) if claimed_key is not None else None,
        "claimed_element": claim.element if claim is not None and claimed_key is not None else None,
        "element": place.element or None,
        **_claim_words(item),
        "rule": verdict.rule,
        "confidence": claim.confidence if claim is not None else 1.0,
        "revision_id": inspections[place.inspection_id].revision_id,
    }

"""A yard is a site with one inspection; this module makes yards and the cards that come back to them."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import UUID

import httpx
import msgspec
import sqlalchemy as sa
from joserfc.util import urlsafe_b64decode
from PIL import Image

from service.access.rules import Caller
from service.campaigns.store.tables import inspection_locations, inspections, unit_images
from service.contract.cards import (
    CardReturnCommit,
    CardReturnOpen,
    ManifestFile,
    ManifestPart,
    PartAnswer,
    PictureFacts,
    PlacementClaim,
    Receipt,
    ReceiptBody,
    RecordedReturn,
    UploadTicket,
    exact_path,
    manifest_digest,
)
from service.contract.wire import new_id
from service.database import Database
from service.facts.projections import differences
from service.images.store import images
from service.intake.actions import parts
from service.intake.actions.commit import commit_return
from service.intake.actions.projections import HISTORY
from service.intake.actions.returns import open_return, read_return
from service.intake.rules.placing import Place, Placement, Sighted, pictures_held, shown
from service.intake.store.tables import placements, sightings
from service.objects import Objects, Original
from service.parts import open_objects
from service.settings import Settings
from service.signing import Signer
from tests import factories
from tests.campaigns import steps

STARTED = datetime(2026, 9, 10, 8, tzinfo=UTC)


def jpeg(seed: int, size: tuple[int, int] = (64, 48)) -> bytes:
    """A small real JPEG; another seed gives other bytes."""
    picture = Image.new("RGB", size, (seed % 251, seed // 251 % 251, 90))
    picture.putpixel((seed % size[0], seed // size[0] % size[1]), (255, 255, 255))
    out = io.BytesIO()
    picture.save(out, "JPEG", comment=f"picture {seed}".encode())
    return out.getvalue()


def fresh_seed() -> int:
    """Returns a seed for pictures that no other test names: some tests spoil theirs in the store."""
    return 1_000_000 + new_id().int % 10**9


def file_of(path: str, data: bytes, claim: PlacementClaim | None = None, **more: Any) -> ManifestFile:
    """A manifest file that tells the truth about `data`, unless `more` says otherwise."""
    told: dict[str, Any] = {
        "path": path,
        "size": len(data),
        "sha256": hashlib.sha256(data).hexdigest(),
        "kind": "still",
        "read_at": STARTED,
        "modified": "2026-09-09T14:30:00",
        "picture": PictureFacts(format="JPEG", width=64, height=48),
        "placement": claim,
    }
    return ManifestFile(**told | more)


def claim(inspection_id: UUID, key: str | None = "A", **more: Any) -> PlacementClaim:
    return PlacementClaim(inspection_id=inspection_id, location_key=key, rule="folder", **more)


@dataclass
class Yard:
    """A site with one unit in inspection, its agent, and the service's parts."""

    db: Database
    objects: Objects
    settings: Settings
    signer: Signer
    made: factories.Fleet
    agent: Caller
    campaign_id: UUID
    inspection_id: UUID
    revision_id: UUID
    serial: str

    def original(self, digest: str, site: str | None = None) -> Original:
        """The original as it came in at the yard's site, or at another."""
        return Original(site or self.made.site, digest)

    async def another_inspection(self, *, site: str | None = None) -> UUID:
        """Opens the inspection of another unit in a campaign of its own."""
        serials = await factories.add_units(self.db, self.made, 1, site=site)
        opened = await steps.campaign(self.db, self.made, serials)
        return (await steps.rows(self.db, opened.id))[0].id

    def card(self, *pictures: tuple[str, bytes, PlacementClaim | None], **opening: Any) -> CardBack:
        """A card that comes back with these files."""
        return self.card_of([file_of(*one) for one in pictures], [data for _, data, _ in pictures], **opening)

    def card_of(self, files: Sequence[ManifestFile], bodies: Iterable[bytes], **opening: Any) -> CardBack:
        told = {"site": self.made.site, "profile": "two-levels", "started_at": STARTED}
        told |= {"inspection_id": self.inspection_id}
        by_digest = {hashlib.sha256(body).hexdigest(): body for body in bodies}
        return CardBack(self, list(files), by_digest, CardReturnOpen(**told | opening))


async def open_yard(db: Database, settings: Settings) -> Yard:
    """Makes a yard in the database and store of these settings; its `objects` have to be closed after use."""
    made = await factories.fleet(db)
    (serial,) = await factories.add_units(db, made, 1)
    opened = await steps.campaign(db, made, [serial])
    (inspection,) = await steps.rows(db, opened.id)
    return Yard(
        db=db,
        objects=open_objects(settings),
        settings=settings,
        signer=Signer.load(Path(settings.receipt_key_file)),
        made=made,
        agent=await factories.agent(db, made, made.site),
        campaign_id=opened.id,
        inspection_id=inspection.id,
        revision_id=inspection.revision_id,
        serial=serial,
    )


@dataclass
class CardBack:
    """One card return as an agent carries it through the protocol."""

    yard: Yard
    files: list[ManifestFile]
    bodies: Mapping[str, bytes]
    opening: CardReturnOpen
    id: UUID = field(default_factory=new_id)
    per_part: int = 500

    @property
    def parts(self) -> list[ManifestPart]:
        starts = range(0, len(self.files), self.per_part)
        return [ManifestPart(files=self.files[at : at + self.per_part]) for at in starts]

    async def open(self, agent: Caller | None = None) -> RecordedReturn:
        return await open_return(self.yard.db, agent or self.yard.agent, self.id, self.opening)

    async def put_part(
        self, number: int, part: ManifestPart | None = None, agent: Caller | None = None
    ) -> PartAnswer:
        sent = part or self.parts[number]
        yard, body = self.yard, msgspec.json.encode(sent)
        return await parts.put_part(
            yard.db, yard.objects, yard.settings, agent or yard.agent, self.id, number, sent, body
        )

    async def check(self, number: int, agent: Caller | None = None) -> PartAnswer:
        yard = self.yard
        return await parts.check_part(
            yard.db, yard.objects, yard.settings, agent or yard.agent, self.id, number
        )

    async def send_manifest(self) -> list[UploadTicket]:
        """Opens the return, puts every part, and returns the tickets for what is lacking."""
        await self.open()
        answers = [await self.put_part(number) for number in range(len(self.parts))]
        return [ticket for answer in answers for ticket in answer.lacking]

    async def upload(self, tickets: Iterable[UploadTicket]) -> list[int]:
        """PUTs each object to the store with exactly the ticket's headers and returns the statuses."""
        async with httpx.AsyncClient(timeout=30) as store:
            return [
                (
                    await store.put(ticket.url, headers=ticket.headers, content=self.bodies[ticket.sha256])
                ).status_code
                for ticket in tickets
            ]

    def closing(self, **more: Any) -> CardReturnCommit:
        lines = [(exact_path(file.path, file.path_bytes), file.sha256, file.size) for file in self.files]
        told: dict[str, Any] = {
            "parts": len(self.parts),
            "files": len(self.files),
            "manifest_sha256": manifest_digest(lines),
            "complete": True,
            "finished_at": STARTED,
            "extent": "as_prepared",
        }
        return CardReturnCommit(**told | more)

    async def commit(self, agent: Caller | None = None, **more: Any) -> bytes:
        yard = self.yard
        return await commit_return(
            yard.db, yard.objects, yard.signer, agent or yard.agent, self.id, self.closing(**more)
        )

    async def go_through(self, **more: Any) -> ReceiptBody:
        """Goes through the whole protocol and returns what the receipt says."""
        statuses = await self.upload(await self.send_manifest())
        assert set(statuses) <= {200, 412}
        return receipt_body(await self.commit(**more))

    async def recorded(self) -> RecordedReturn:
        return await read_return(self.yard.db, self.yard.agent, self.id)


def receipt_body(receipt: bytes) -> ReceiptBody:
    signed = msgspec.json.decode(receipt, type=Receipt)
    return msgspec.json.decode(urlsafe_b64decode(signed.payload.encode()), type=ReceiptBody)


async def rows_of(db: Database, query: Any) -> list[Any]:
    async with db.begin() as connection:
        return list((await connection.execute(query)).mappings())


async def images_among(db: Database, digests: Iterable[str]) -> set[str]:
    found = await rows_of(db, sa.select(images.c.digest).where(images.c.digest.in_(list(digests))))
    return {row["digest"] for row in found}


async def shown_at(db: Database, inspection_id: UUID) -> dict[tuple[str, int, str], int]:
    """Counts sightings by location, element and digest, as the history has them."""
    found = await rows_of(db, sa.select(unit_images).where(unit_images.c.inspection_id == inspection_id))
    return {(row["location_key"], row["element"], row["digest"]): row["sightings"] for row in found}


async def assert_sound(yard: Yard) -> None:
    """Asserts that what units show and locations hold equals a recount from the placement facts alone."""
    here = sa.select(inspections.c.id).where(inspections.c.campaign_id.in_(await _campaigns(yard)))
    facts = await rows_of(yard.db, sa.select(placements).where(placements.c.inspection_id.in_(here)))
    seen_ids = [fact["sighting_id"] for fact in facts]
    seen = await rows_of(
        yard.db,
        sa.select(sightings).where(sightings.c.id.in_(seen_ids)),
    )
    names = ("id", "digest", "card_return_id", "ordinal", "kind")
    sighted = {
        row["id"]: Sighted(
            **{name: row[name] for name in names},
            marks=frozenset(row["marks"]),
            told=row["format"] is not None,
        )
        for row in seen
    }
    folded = shown(
        sighted,
        [
            Placement(
                fact["id"],
                fact["sighting_id"],
                Place(fact["inspection_id"], fact["location_key"] or "", fact["element"] or 0),
                frozenset(fact["replaces"]),
            )
            for fact in facts
        ],
    )
    held = await rows_of(yard.db, sa.select(unit_images).where(unit_images.c.inspection_id.in_(here)))
    kept_rows = {
        (Place(row["inspection_id"], row["location_key"], row["element"]), row["digest"]): row for row in held
    }
    kept = ("first_sighting_id", "placement_id", "sightings", "counted")
    assert {where: tuple(row[name] for name in kept) for where, row in kept_rows.items()} == {
        where: (how.first, how.fact, len(how.sightings), how.counted) for where, how in folded.items()
    }
    for row in held:
        assert _same_words(row, facts, seen)
    async with yard.db.begin() as connection:
        assert await differences(connection, HISTORY, list(await connection.scalars(here))) == ([], {})
    at = inspection_locations.c
    locations = await rows_of(
        yard.db, sa.select(inspection_locations).where(at.inspection_id.in_(here), at.pictures_held != 0)
    )
    assert {(row["inspection_id"], row["location_key"]): row["pictures_held"] for row in locations} == dict(
        pictures_held(folded)
    )
    for campaign_id in await _campaigns(yard):
        await steps.assert_sound(yard.db, campaign_id)


def _same_words(row: Any, facts: Sequence[Any], seen: Sequence[Any]) -> bool:
    """Says whether words and times of the row are those of the fact and the sighting that are shown."""
    fact = next(fact for fact in facts if fact["id"] == row["placement_id"])
    sighting = next(sighting for sighting in seen if sighting["id"] == row["first_sighting_id"])
    words = ("element_last", "evaluation", "condition", "note")
    times = ("taken_at", "taken_basis")
    return all(row[name] == fact[name] for name in words) and all(
        row[name] == sighting[name] for name in times
    )


async def _campaigns(yard: Yard) -> list[UUID]:
    found = await rows_of(
        yard.db,
        sa.select(inspections.c.campaign_id).where(inspections.c.type_id == yard.made.type_id).distinct(),
    )
    return [row["campaign_id"] for row in found]

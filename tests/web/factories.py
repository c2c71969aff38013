"""These functions put pictures of a unit straight into the tables, as intake would leave them."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from PIL import Image
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.campaigns.actions.settling import changing
from service.campaigns.store.tables import inspections
from service.contract.wire import new_id
from service.database import Database
from service.images.store import images
from service.intake.store.showing import show_anew
from service.intake.store.tables import card_returns, placements, sightings

TAKEN = datetime(2026, 11, 20, 8, 12, 3, tzinfo=UTC)


@dataclass
class Card:
    """A card return of one inspection; `agent_id` read it at `site_id`."""

    site_id: UUID
    agent_id: UUID
    inspection_id: UUID
    person: str | None = "Ines Marrow"
    scope: str | None = "TW-0042"
    shift: str | None = "day"
    id: UUID = field(default_factory=new_id)
    card_id: UUID | None = field(default_factory=new_id)
    at: datetime = TAKEN + timedelta(hours=9)
    read_by: str = "ws-01"


def jpeg(number: int) -> bytes:
    out = io.BytesIO()
    noise = new_id().bytes
    picture = Image.frombytes("L", (4, 4), noise).resize((640, 480)).convert("RGB")
    picture.save(out, "JPEG", quality=60, comment=f"picture {number} {new_id()}".encode())
    return out.getvalue()


async def hold_card(connection: AsyncConnection, card: Card) -> None:
    await connection.execute(
        sa.insert(card_returns).values(
            id=card.id,
            site_id=card.site_id,
            agent_id=card.agent_id,
            card_id=card.card_id,
            inspection_id=card.inspection_id,
            profile="two-level",
            scope=card.scope,
            person=card.person,
            shift=card.shift,
            opening={},
            started_at=card.at,
            opened_at=card.at,
            committed_at=card.at + timedelta(minutes=2),
            complete=True,
        )
    )


@dataclass
class Picture:
    """One file of a card at a location; `raw` are its bytes."""

    location: str | None
    raw: bytes
    path: str = "DCIM/100TWVS/TWVS0001.JPG"
    ordinal: int = 0
    element: int | None = None
    element_last: int | None = None
    evaluation: str | None = None
    condition: str | None = None
    note: str | None = None
    taken: datetime = TAKEN
    kind: str = "still"
    format: str | None = "JPEG"
    pixels: tuple[int, int] | None = (640, 480)
    marks: tuple[str, ...] = ()
    thumbnail: str | None = None
    exif: Mapping[str, Any] = field(default_factory=dict)

    @property
    def digest(self) -> str:
        return hashlib.sha256(self.raw).hexdigest()


async def hold(db: Database, card: Card, pictures: list[Picture]) -> None:
    """Records the card return with its pictures, placed where they say."""
    async with db.begin() as connection, changing(connection, [card.inspection_id]):
        await hold_card(connection, card)
        revision_id = await connection.scalar(
            sa.select(inspections.c.revision_id).where(inspections.c.id == card.inspection_id)
        )
        for picture in pictures:
            await _hold(connection, card, revision_id, picture)
        await show_anew(connection, [card.inspection_id], {picture.digest for picture in pictures})


async def _hold(connection: AsyncConnection, card: Card, revision_id: UUID, picture: Picture) -> None:
    sighting_id = new_id()
    await connection.execute(insert(images).values(_image_row(card, picture)).on_conflict_do_nothing())
    await connection.execute(sa.insert(sightings).values(_sighting_row(card, picture, sighting_id)))
    said = {
        "element_last": picture.element_last,
        "evaluation": picture.evaluation,
        "condition": picture.condition,
        "note": picture.note,
        "inspection_id": card.inspection_id,
    }
    await connection.execute(
        sa.insert(placements).values(
            id=new_id(),
            sighting_id=sighting_id,
            location_key=picture.location,
            element=picture.element,
            rule="folder",
            confidence=1.0,
            agent_id=card.agent_id,
            by_name=card.read_by,
            revision_id=revision_id,
            recorded_at=card.at,
            replaces=[],
            **said,
        )
    )


def _image_row(card: Card, picture: Picture) -> dict[str, Any]:
    return {
        "digest": picture.digest,
        "size": len(picture.raw),
        "site": sa.select(sites.c.code).where(sites.c.id == card.site_id).scalar_subquery(),
        "verified_at": card.at,
        "thumbnail": picture.thumbnail,
    }


def _sighting_row(card: Card, picture: Picture, sighting_id: UUID) -> dict[str, Any]:
    width, height = picture.pixels or (None, None)
    return {
        "id": sighting_id,
        "card_return_id": card.id,
        "ordinal": picture.ordinal,
        "digest": picture.digest,
        "path": picture.path,
        "path_bytes": picture.path.encode("utf-8", "surrogatepass"),
        "modified": "2026-11-20T09:12:04",
        "read_at": card.at,
        "received_at": card.at + timedelta(minutes=1),
        "kind": picture.kind,
        "marks": list(picture.marks),
        "format": picture.format,
        "width": width,
        "height": height,
        "exif": dict(picture.exif),
        "taken_at": picture.taken,
        "taken_basis": "exif, site zone assumed",
    }

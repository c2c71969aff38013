"""SQL that only pages need: the inspections of one serial number or site, when cards last came back, the
pictures that stand at no location, and the statements that were refused."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.campaigns.store.tables import campaigns, inspections, unit_images
from service.contract.cards import PICTURES
from service.database import Row
from service.images.store import images
from service.intake.store.refused import refusals_settled, refused_statements
from service.intake.store.sighting import placement_shown
from service.intake.store.tables import card_returns, sightings
from service.plans.store import equipment_types
from service.units.store import units


async def inspections_of_unit(
    connection: AsyncConnection, serial: str, site_codes: Collection[str] | None
) -> list[UUID]:
    """Ids of a unit's inspections, those of open campaigns first, within that the newest first."""
    query = (
        sa.select(inspections.c.id)
        .join(units, units.c.id == inspections.c.unit_id)
        .join(sites, sites.c.id == inspections.c.site_id)
        .join(campaigns, campaigns.c.id == inspections.c.campaign_id)
        .where(units.c.serial == serial)
        .order_by(campaigns.c.closed_at.is_not(None), campaigns.c.opens.desc(), inspections.c.id.desc())
    )
    if site_codes is not None:
        query = query.where(sites.c.code.in_(site_codes))
    return list(await connection.scalars(query))


async def last_returns(connection: AsyncConnection, inspection_ids: Collection[UUID]) -> dict[UUID, datetime]:
    """When a card of each inspection last came in whole, by the service's clock."""
    query = (
        sa.select(card_returns.c.inspection_id, sa.func.max(card_returns.c.committed_at))
        .where(card_returns.c.inspection_id.in_(inspection_ids), card_returns.c.committed_at.is_not(None))
        .group_by(card_returns.c.inspection_id)
    )
    return {row[0]: row[1] for row in await connection.execute(query)}


async def open_inspections(connection: AsyncConnection, site: str, limit: int) -> Sequence[Row]:
    """Inspections of open campaigns at a site, by serial: id, unit, campaign."""
    query = (
        sa.select(inspections.c.id, units.c.serial.label("unit"), campaigns.c.name.label("campaign"))
        .join(units, units.c.id == inspections.c.unit_id)
        .join(sites, sites.c.id == inspections.c.site_id)
        .join(campaigns, campaigns.c.id == inspections.c.campaign_id)
        .where(sites.c.code == site, campaigns.c.closed_at.is_(None))
        .order_by(units.c.serial, campaigns.c.opens.desc(), inspections.c.id)
        .limit(limit)
    )
    return (await connection.execute(query)).mappings().all()


async def pictures_open(connection: AsyncConnection, return_id: UUID, limit: int) -> Sequence[Row]:
    """Pictures of a card return that stand at no location, in the order of their names on the card; each with
    the fact that stands for it and the id it is moved by (`picture_id`; None: it stands nowhere)."""
    place = placement_shown()
    shown = unit_images.c
    query = (
        sa.select(
            sightings.c.id.label("sighting_id"),
            sightings.c.path,
            sightings.c.digest,
            sightings.c.marks,
            images.c.no_thumbnail,
            shown.id.label("picture_id"),
            place.c.inspection_id,
            place.c.rule,
            place.c.note,
            place.c.claimed_key,
        )
        .select_from(sightings)
        .outerjoin(images, images.c.digest == sightings.c.digest)
        .outerjoin(place, sa.true())
        .outerjoin(
            unit_images,
            (shown.inspection_id == place.c.inspection_id)
            & (shown.digest == sightings.c.digest)
            & (shown.location_key == "")
            & (shown.element == 0),
        )
        .where(
            sightings.c.card_return_id == return_id,
            sightings.c.kind.in_(PICTURES),
            place.c.location_key.is_(None),
        )
        .order_by(sightings.c.path_bytes, sightings.c.ordinal)
        .limit(limit)
    )
    return (await connection.execute(query)).mappings().all()


async def pictures_left_open(connection: AsyncConnection, inspection_ids: Collection[UUID]) -> Sequence[Row]:
    """Card returns that first brought pictures which stand at these inspections and at no location, with
    their number."""
    shown = unit_images.c
    query = (
        sa.select(
            shown.inspection_id,
            card_returns.c.id,
            card_returns.c.committed_at,
            sa.func.count().label("number"),
        )
        .join(sightings, sightings.c.id == shown.first_sighting_id)
        .join(card_returns, card_returns.c.id == sightings.c.card_return_id)
        .where(shown.inspection_id.in_(inspection_ids), shown.location_key == "")
        .group_by(shown.inspection_id, card_returns.c.id, card_returns.c.committed_at)
        .order_by(card_returns.c.committed_at)
    )
    return (await connection.execute(query)).mappings().all()


async def statements_left_open(
    connection: AsyncConnection, inspection_ids: Collection[UUID]
) -> Sequence[Row]:
    """Card returns of an inspection's own site that brought statements about it which were refused and stand
    open, with their number."""
    at, back = refused_statements.c, card_returns.c
    query = (
        sa.select(at.inspection_id, back.id, back.committed_at, sa.func.count().label("number"))
        .join(card_returns, back.id == at.card_return_id)
        .join(
            inspections,
            (inspections.c.id == at.inspection_id) & (inspections.c.site_id == back.site_id),
        )
        .where(
            at.inspection_id.in_(inspection_ids),
            ~sa.exists().where(refusals_settled.c.refused_id == at.id),
        )
        .group_by(at.inspection_id, back.id, back.committed_at)
        .order_by(back.committed_at, back.id)
    )
    return (await connection.execute(query)).mappings().all()


async def uncounted_in(
    connection: AsyncConnection, campaign_ids: Collection[UUID]
) -> dict[tuple[UUID, str, str], int]:
    """By campaign, site and equipment type how many pictures came in and count at no location."""
    shown = unit_images.c
    key = (inspections.c.campaign_id, sites.c.code, equipment_types.c.code)
    query = (
        sa.select(*key, sa.func.count(sa.distinct(sa.tuple_(shown.inspection_id, shown.digest))))
        .join(inspections, inspections.c.id == shown.inspection_id)
        .join(sites, sites.c.id == inspections.c.site_id)
        .join(equipment_types, equipment_types.c.id == inspections.c.type_id)
        .where(inspections.c.campaign_id.in_(campaign_ids), (shown.location_key == "") | ~shown.counted)
        .group_by(*key)
    )
    return {(row[0], row[1], row[2]): row[3] for row in await connection.execute(query)}

"""What a page shows, gathered from the read actions of the contexts."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from service.access.rules import Act, Caller
from service.access.store import site_page
from service.campaigns.actions import reading as campaigns
from service.contract.campaigns import Campaign, CompletionRow, InspectionDetail, InspectionRow, StatementOut
from service.contract.plan_document import PlanDocument
from service.contract.records import HistoryItem, ImageDetail, Move, Unit, UnitDetail
from service.database import Database, Row
from service.errors import NotFound
from service.plans.store import revision_document
from service.records.actions.history import unit_history
from service.records.actions.images import read_image
from service.records.actions.moves import moves_of_unit
from service.records.actions.units import list_units, read_unit
from service.records.store.history import Wanted
from service.records.store.images import ever_at_unit
from service.walls import read_across_sites
from service.web import rules, store

UNITS_PER_PAGE = 50
IMAGES_PER_PAGE = 24
CAMPAIGNS_OFFERED = 200
MOST_SITES = 10_000
MOVES_SHOWN = 20
SIGHTINGS_PER_PAGE = 50


@dataclass(frozen=True, slots=True)
class Sites:
    """Names and time zones of sites by code."""

    names: Mapping[str, str]
    zones: Mapping[str, ZoneInfo]

    def zone(self, code: str) -> ZoneInfo:
        return self.zones.get(code) or rules.zone_of(None)

    def choices(self) -> list[tuple[str, str]]:
        return [(code, f"{name} ({code})") for code, name in self.names.items()]


async def sites_named(db: Database, codes: Collection[str] | None) -> Sites:
    """The sites with these codes; None is every site. Their names and zones are no secret of a site."""
    async with db.begin() as connection:
        rows = await site_page(connection, None, MOST_SITES, codes)
    return Sites(
        {row["code"]: row["name"] for row in rows},
        {row["code"]: rules.zone_of(row["time_zone"]) for row in rows},
    )


async def campaign_choices(db: Database, caller: Caller) -> list[tuple[UUID, str]]:
    """The newest campaigns a caller may choose from."""
    listed, _ = await campaigns.list_campaigns(db, caller, before=None, limit=CAMPAIGNS_OFFERED)
    return [(campaign.id, campaign.name) for campaign in listed]


async def uncounted_in(
    db: Database, rows: Collection[CompletionRow]
) -> Callable[[Collection[CompletionRow]], int]:
    """A function of some rows: how many pictures came in where nothing is stated and nothing counts."""
    silent = {row.campaign_id for row in rows if rules.silent(row)}
    async with db.begin() as connection:
        found = await store.uncounted_in(connection, silent) if silent else {}

    def of(some: Collection[CompletionRow]) -> int:
        return sum(found.get((row.campaign_id, row.site, row.equipment_type), 0) for row in some)

    return of


@dataclass(frozen=True, slots=True)
class CampaignUnits:
    """One page of a campaign's units; `returned` holds the last card return by inspection."""

    campaign: Campaign
    rows: list[InspectionRow]
    following: str | None
    returned: Mapping[UUID, datetime]
    sites: Sites


async def campaign_units(
    db: Database, caller: Caller, campaign_id: UUID, *, site: str | None, state: str | None, after: str | None
) -> CampaignUnits:
    """A page of a campaign's units; raises what `list_inspections` raises."""
    campaign = await campaigns.read_campaign(db, caller, campaign_id)
    rows, following = await campaigns.list_inspections(
        db, caller, campaign_id, site=site, state=state, after=after, limit=UNITS_PER_PAGE
    )
    async with db.begin() as connection:
        # A card of another site may have brought pictures of these units.
        await read_across_sites(connection)
        returned = await store.last_returns(connection, [row.id for row in rows])
    return CampaignUnits(campaign, rows, following, returned, await sites_named(db, caller.sites))


async def units_found(
    db: Database, caller: Caller, find: str | None, after: str | None
) -> tuple[list[Unit], str | None]:
    """Units whose serial contains `find`, and the serial that the next page begins after."""
    found = await list_units(
        db, caller, search=find, site=None, type_code=None, after=after, limit=UNITS_PER_PAGE + 1
    )
    rows = found[:UNITS_PER_PAGE]
    return rows, rows[-1].serial if len(found) > UNITS_PER_PAGE else None


@dataclass(frozen=True, slots=True)
class Inspected:
    """One inspection of a unit with every statement about it."""

    detail: InspectionDetail
    locations: list[rules.ShownLocation]
    statements: list[StatementOut]
    document: PlanDocument


async def inspections_of(db: Database, caller: Caller, unit: UnitDetail) -> list[Inspected]:
    """The unit's inspections that the caller may see, those of open campaigns first."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        inspection_ids = await store.inspections_of_unit(connection, unit.serial, caller.sites)
    return [await _inspected(db, caller, inspection_id) for inspection_id in inspection_ids]


async def _inspected(db: Database, caller: Caller, inspection_id: UUID) -> Inspected:
    detail = await campaigns.read_inspection(db, caller, inspection_id)
    statements = await campaigns.list_statements(db, caller, inspection_id)
    async with db.begin() as connection:
        document = await revision_document(connection, detail.revision_id)
    by_id: dict[object, StatementOut] = {statement.id: statement for statement in statements}
    locations = [rules.shown_location(location, by_id, detail.build) for location in detail.locations]
    return Inspected(detail, locations, statements[::-1], document)


@dataclass(frozen=True, slots=True)
class Names:
    """Words for the keys and codes that a unit's history holds, from the plans it was inspected under."""

    locations: Mapping[str, str]
    evaluations: Mapping[str, str]
    elements: Mapping[str, str]
    conditions: list[str]


def names_in(inspected: Collection[Inspected]) -> Names:
    documents = [inspection.document for inspection in inspected][::-1]
    places = [place for document in documents for place in document.locations()]
    return Names(
        locations={place.key: place.name for place in places},
        evaluations={
            evaluation.code: evaluation.word
            for document in documents
            for evaluation in document.evaluation_scale
        },
        elements={place.key: place.element.kind for place in places if place.element is not None},
        conditions=sorted({term for place in places for term in place.conditions}),
    )


async def moves_of(db: Database, caller: Caller, serial: str) -> list[Move]:
    """The newest moves of pictures from or to a unit."""
    return await moves_of_unit(db, caller, serial, None, MOVES_SHOWN)


@dataclass(frozen=True, slots=True)
class LeftOpen:
    """What one card return left open at an inspection: so many pictures, or statements."""

    return_id: UUID
    committed_at: datetime
    number: int


@dataclass(frozen=True, slots=True)
class OpenAt:
    """By inspection: pictures that stand there and at no location of it; statements about it that were
    refused."""

    pictures: Mapping[UUID, Sequence[LeftOpen]]
    statements: Mapping[UUID, Sequence[LeftOpen]]


async def left_open(db: Database, inspected: Collection[Inspected]) -> OpenAt:
    inspection_ids = [inspection.detail.id for inspection in inspected]
    async with db.begin() as connection:
        await read_across_sites(connection)
        pictures = await store.pictures_left_open(connection, inspection_ids)
        statements = await store.statements_left_open(connection, inspection_ids)
    return OpenAt(_by_inspection(inspection_ids, pictures), _by_inspection(inspection_ids, statements))


def _by_inspection(inspection_ids: Collection[UUID], rows: Iterable[Row]) -> dict[UUID, list[LeftOpen]]:
    found: dict[UUID, list[LeftOpen]] = {inspection_id: [] for inspection_id in inspection_ids}
    for row in rows:
        found[row["inspection_id"]].append(LeftOpen(row["id"], row["committed_at"], row["number"]))
    return found


async def images_of(
    db: Database, caller: Caller, serial: str, filters: Wanted, after: tuple[datetime, UUID] | None
) -> tuple[list[HistoryItem], tuple[datetime, UUID] | None]:
    """A page of a unit's images, the newest first, and the key that the older page begins below."""
    found = await unit_history(db, caller, serial, filters, after, IMAGES_PER_PAGE + 1)
    items = found[:IMAGES_PER_PAGE]
    last = items[-1] if len(found) > IMAGES_PER_PAGE else None
    return items, (last.taken_at, last.id) if last is not None else None


@dataclass(frozen=True, slots=True)
class UnitImage:
    """An image at a unit, with a page of its sightings and the key that the next page begins after."""

    unit: UnitDetail
    image: ImageDetail
    following: tuple[UUID, int] | None


async def image_of_unit(
    db: Database, caller: Caller, serial: str, digest: str, after: tuple[UUID, int] | None
) -> UnitImage:
    """An image that stands or once stood at a unit; raises NotFound for one that never did."""
    unit = await read_unit(db, caller, serial)
    image, following = await read_image(db, caller, digest, after, SIGHTINGS_PER_PAGE)
    async with db.begin() as connection:
        await read_across_sites(connection)
        if not await ever_at_unit(connection, digest, unit.id):
            raise NotFound(
                f"Image {digest} is no image of unit {serial}.",
                next_step="Take the image from the history of the unit.",
            )
    return UnitImage(unit, image, following)

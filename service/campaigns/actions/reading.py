"""Answers about campaigns, inspections and completion, each limited to the caller's sites."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import asdict
from typing import Any
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.campaigns import rules
from service.campaigns.rules import COLUMNS, Counts, Inspection
from service.campaigns.store import rollup
from service.campaigns.store.campaigns import campaign_by_id, campaign_page
from service.campaigns.store.inspections import inspection_by_id, inspection_page
from service.campaigns.store.locations import locations_of
from service.campaigns.store.places import pictures_by_location, uncounted_of
from service.campaigns.store.statements import bindings_of, statements_of
from service.contract.campaigns import (
    Binding,
    Campaign,
    Completion,
    CompletionRow,
    Counted,
    InspectionDetail,
    InspectionRow,
    LocationDetail,
    StatementMade,
    StatementOut,
)
from service.database import Database, Row
from service.errors import NotFound
from service.plans.store import revision_document
from service.walls import read_across_sites


def no_inspection(inspection_id: UUID) -> NotFound:
    return NotFound(
        f"There is no inspection {inspection_id}.",
        next_step="Pull the work list again and take the inspection from it.",
    )


def no_campaign(campaign_id: UUID) -> NotFound:
    return NotFound(f"There is no campaign {campaign_id}.", next_step="Take one from the list of campaigns.")


def counted(counts: Counts) -> Counted:
    return Counted(**_numbers(counts))


def _numbers(counts: Counts) -> dict[str, Any]:
    return rules.with_shares(asdict(counts))


def _counts(row: Row) -> Counts:
    return Counts(**{name: row[name] for name in COLUMNS})


def narrowed(caller: Caller, site: str | None) -> Collection[str] | None:
    """The site codes to read: the one asked for, else the caller's; None is every site.

    Raises NotAllowed for a site that is not the caller's.
    """
    caller.must(Act.READ, site)
    return caller.sites if site is None else [site]


async def read_completion(
    db: Database, caller: Caller, *, campaign_id: UUID | None, site: str | None, equipment_type: str | None
) -> Completion:
    """The roll-up by campaign, site and type, and its sum."""
    site_codes = narrowed(caller, site)
    async with db.begin() as connection:
        rows = await rollup.completion_rows(
            connection,
            campaign_ids=None if campaign_id is None else [campaign_id],
            site_codes=site_codes,
            type_code=equipment_type,
        )
    return Completion(
        rows=[
            CompletionRow(
                campaign_id=row["campaign_id"],
                campaign=row["campaign"],
                closed=row["closed_at"] is not None,
                site=row["site"],
                equipment_type=row["equipment_type"],
                **_numbers(_counts(row)),
            )
            for row in rows
        ],
        total=counted(rules.rollup(_counts(row) for row in rows)),
    )


async def campaigns_out(connection: AsyncConnection, caller: Caller, rows: Sequence[Row]) -> list[Campaign]:
    """Campaigns with the number of inspections at the caller's sites."""
    totals: dict[UUID, list[Counts]] = {row["id"]: [] for row in rows}
    for row in await rollup.completion_rows(connection, campaign_ids=totals.keys(), site_codes=caller.sites):
        totals[row["campaign_id"]].append(_counts(row))
    return [_campaign_out(row, rules.rollup(totals[row["id"]])) for row in rows]


def _campaign_out(row: Row, counts: Counts) -> Campaign:
    return Campaign(
        **{
            name: row[name]
            for name in (
                "id",
                "name",
                "plan",
                "equipment_type",
                "opens",
                "closes",
                "version",
                "created_at",
                "closed_at",
            )
        },
        inspections=counts.inspections,
        inspections_complete=counts.inspections_complete,
    )


async def list_campaigns(
    db: Database, caller: Caller, *, before: UUID | None, limit: int
) -> tuple[list[Campaign], UUID | None]:
    """A page of campaigns, newest id first, and the id that the next page begins below."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        rows = await campaign_page(
            connection,
            site_codes=caller.sites,
            account_id=caller.account_id,
            before=before,
            limit=limit + 1,
        )
        page = await campaigns_out(connection, caller, rows[:limit])
    return page, page[-1].id if len(rows) > limit else None


async def read_campaign(db: Database, caller: Caller, campaign_id: UUID) -> Campaign:
    """Raises NotFound, also where the campaign has nothing at the caller's sites."""
    async with db.begin() as connection:
        return await visible_campaign(connection, caller, campaign_id)


async def visible_campaign(connection: AsyncConnection, caller: Caller, campaign_id: UUID) -> Campaign:
    caller.must(Act.READ)
    row = await campaign_by_id(connection, campaign_id)
    if row is None:
        raise no_campaign(campaign_id)
    [found] = await campaigns_out(connection, caller, [row])
    own = caller.account_id is not None and row["created_by"] == caller.account_id
    if caller.sites is not None and found.inspections == 0 and not own:
        raise no_campaign(campaign_id)
    return found


async def list_inspections(
    db: Database,
    caller: Caller,
    campaign_id: UUID,
    *,
    site: str | None,
    state: str | None,
    after: str | None,
    limit: int,
) -> tuple[list[InspectionRow], str | None]:
    """A page of a campaign's units by serial number, and the serial the next page begins after.

    `state` is complete, blocked or open (of the inspection), or the state of a location that one of its
    locations has to be in.
    """
    site_codes = narrowed(caller, site)
    async with db.begin() as connection:
        await visible_campaign(connection, caller, campaign_id)
        rows = await inspection_page(
            connection, campaign_id, site_codes=site_codes, state=state, after=after, limit=limit + 1
        )
        page = rows[:limit]
        counts = await rollup.counts_of(connection, [inspection.id for inspection in page])
        uncounted = await uncounted_of(connection, [inspection.id for inspection in page])
    items = [
        InspectionRow(
            **_inspection_words(inspection),
            counts=counted(counts[inspection.id]),
            pictures_uncounted=uncounted.get(inspection.id, 0),
        )
        for inspection in page
    ]
    return items, items[-1].unit if len(rows) > limit else None


def _inspection_words(inspection: Inspection) -> dict[str, Any]:
    names = (
        "id",
        "unit",
        "position",
        "site",
        "equipment_type",
        "build",
        "revision_id",
        "revision",
        "version",
    )
    return {name: getattr(inspection, name) for name in names}


async def visible_inspection(connection: AsyncConnection, caller: Caller, inspection_id: UUID) -> Inspection:
    """Raises NotFound, for an inspection of another site as for one that is not there."""
    caller.must(Act.READ)
    inspection = await inspection_by_id(connection, inspection_id)
    if inspection is None or not caller.at(inspection.site):
        raise no_inspection(inspection_id)
    return inspection


async def read_inspection(db: Database, caller: Caller, inspection_id: UUID) -> InspectionDetail:
    """One inspection with the state of each location and how it came to its revision."""
    async with db.begin() as connection:
        await visible_inspection(connection, caller, inspection_id)
        return await inspection_detail(connection, inspection_id)


async def inspection_detail(connection: AsyncConnection, inspection_id: UUID) -> InspectionDetail:
    inspection = await inspection_by_id(connection, inspection_id)
    if inspection is None:
        raise no_inspection(inspection_id)
    document = await revision_document(connection, inspection.revision_id)
    names = {location.key: location.name for location in document.locations()}
    locations = (await locations_of(connection, [inspection_id]))[inspection_id]
    counts = (await rollup.counts_of(connection, [inspection_id]))[inspection_id]
    uncounted = await uncounted_of(connection, [inspection_id])
    # They say whether a picture counts elsewhere too, and not where.
    await read_across_sites(connection)
    pictures = await pictures_by_location(connection, inspection_id)
    return InspectionDetail(
        **_inspection_words(inspection),
        counts=counted(counts),
        pictures_uncounted=uncounted.get(inspection_id, 0),
        campaign_id=inspection.campaign_id,
        campaign=inspection.campaign,
        closed=inspection.closed_at is not None,
        plan=inspection.plan,
        bindings=[binding_out(made) for made in await bindings_of(connection, inspection_id)],
        locations=[
            _location_out(location, names, pictures.get(location["location_key"])) for location in locations
        ],
    )


def _location_out(row: Row, names: dict[str, str], pictures: Row | None) -> LocationDetail:
    return LocationDetail(
        key=row["location_key"],
        name=names.get(row["location_key"]),
        bound=row["bound"],
        mandatory=row["mandatory"],
        state=row["state"],
        pictures_required=row["pictures_required"],
        pictures_held=row["pictures_held"],
        pictures_uncounted=pictures["uncounted"] if pictures is not None else 0,
        pictures_elsewhere=pictures["elsewhere"] if pictures is not None else 0,
        heads=row["heads"],
    )


def binding_out(row: Row) -> Binding:
    names = ("id", "revision_id", "revision", "reason", "by", "recorded_at")
    return Binding(**{name: row[name] for name in names})


async def list_statements(db: Database, caller: Caller, inspection_id: UUID) -> list[StatementOut]:
    """Everything said of an inspection, in the order the service recorded it; that order decides nothing."""
    async with db.begin() as connection:
        await visible_inspection(connection, caller, inspection_id)
        return await statements_out(connection, inspection_id)


async def statements_out(connection: AsyncConnection, inspection_id: UUID) -> list[StatementOut]:
    keys_of_head: dict[UUID, list[str]] = {}
    for row in (await locations_of(connection, [inspection_id]))[inspection_id]:
        for head in row["heads"]:
            keys_of_head.setdefault(head, []).append(row["location_key"])
    statements = (await statements_of(connection, [inspection_id]))[inspection_id]
    return [_statement_out(row, keys_of_head.get(row["id"], [])) for row in statements]


def _statement_out(row: Row, stands_for: list[str]) -> StatementOut:
    names = (
        "id",
        "kind",
        "locations",
        "replaces",
        "reason",
        "note",
        "stated_by",
        "stated_at",
        "account",
        "agent",
        "card_return_id",
        "recorded_at",
    )
    return StatementOut(**{name: row[name] for name in names}, stands_for=stands_for)


async def statement_made(
    connection: AsyncConnection, inspection_id: UUID, statement_id: UUID
) -> StatementMade:
    history = await statements_out(connection, inspection_id)
    [statement] = [made for made in history if made.id == statement_id]
    return StatementMade(statement=statement, inspection=await inspection_detail(connection, inspection_id))

"""SQL of the completion roll-up, which is kept by differences and compared with a recount."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import asdict
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import JSONB, insert
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import sites
from service.campaigns.rules import COLUMN_OF, COLUMNS, OPEN_COLUMNS, Counts, OpenPictures
from service.campaigns.store.tables import (
    campaigns,
    completion,
    inspection_locations,
    inspections,
    unit_images,
)
from service.database import Row
from service.plans.store import equipment_types, plan_revisions

# campaign, site, equipment type
RollupKey = tuple[UUID, UUID, UUID]
KEY_COLUMNS = ("campaign_id", "site_id", "type_id")


async def lock_rows(connection: AsyncConnection, campaign_ids: Collection[UUID]) -> None:
    """Lock the roll-up of campaigns, in ascending key, making the rows that are lacking."""
    of = inspections.c
    keys = sa.select(of.campaign_id, of.site_id, of.type_id).where(of.campaign_id.in_(campaign_ids))
    await connection.execute(
        insert(completion).from_select(KEY_COLUMNS, keys.distinct()).on_conflict_do_nothing()
    )
    rows = sa.select(*(completion.c[name] for name in KEY_COLUMNS))
    rows = rows.where(completion.c.campaign_id.in_(campaign_ids))
    await connection.execute(rows.order_by(*(completion.c[name] for name in KEY_COLUMNS)).with_for_update())


async def keep_rows(
    connection: AsyncConnection, campaign_ids: Collection[UUID], rows: Mapping[RollupKey, Counts]
) -> None:
    """Keep these counts of campaigns, in rows that are there and locked; the others of them count nothing."""
    of_campaigns = completion.c.campaign_id.in_(campaign_ids)
    await connection.execute(sa.update(completion).where(of_campaigns).values(**asdict(Counts())))
    for key, counts in rows.items():
        here = [completion.c[name] == value for name, value in zip(KEY_COLUMNS, key, strict=True)]
        await connection.execute(sa.update(completion).where(*here).values(**asdict(counts)))


async def add_to_completion(connection: AsyncConnection, changes: Mapping[RollupKey, Counts]) -> None:
    """Add to the roll-up, in ascending key; rows that are lacking are made."""
    for key in sorted(changes):
        if changes[key] == Counts():
            continue
        values = dict(zip(KEY_COLUMNS, key, strict=True))
        added = insert(completion).values(**values, **asdict(changes[key]))
        await connection.execute(
            added.on_conflict_do_update(
                index_elements=list(values),
                set_={name: completion.c[name] + added.excluded[name] for name in COLUMNS},
            )
        )


async def completion_rows(
    connection: AsyncConnection,
    *,
    campaign_ids: Collection[UUID] | None = None,
    site_codes: Collection[str] | None = None,
    type_code: str | None = None,
) -> Sequence[Row]:
    """The roll-up by campaign, site and type; reads no inspection."""
    query = (
        sa.select(
            completion,
            campaigns.c.name.label("campaign"),
            campaigns.c.closed_at,
            sites.c.code.label("site"),
            equipment_types.c.code.label("equipment_type"),
        )
        .join(campaigns, campaigns.c.id == completion.c.campaign_id)
        .join(sites, sites.c.id == completion.c.site_id)
        .join(equipment_types, equipment_types.c.id == completion.c.type_id)
        .order_by(campaigns.c.opens.desc(), campaigns.c.name, sites.c.code, equipment_types.c.code)
    )
    if campaign_ids is not None:
        query = query.where(completion.c.campaign_id.in_(campaign_ids))
    if site_codes is not None:
        query = query.where(sites.c.code.in_(site_codes))
    if type_code is not None:
        query = query.where(equipment_types.c.code == type_code)
    return (await connection.execute(query)).mappings().all()


# A condition on a column of inspection ids that says which inspections are meant. Each subquery applies it,
# so that no aggregate reads more rows than it must.
Among = Callable[[sa.ColumnElement[UUID]], sa.ColumnElement[bool]]


def _of_locations(among: Among) -> sa.Subquery:
    at = inspection_locations.c
    owed = at.bound & at.applicable
    required_held = sa.func.least(at.pictures_held, at.pictures_required)
    short = (at.state == "complete") & (required_held < at.pictures_required)
    columns = {
        "locations": sa.func.count().filter(owed),
        **{column: sa.func.count().filter(owed & (at.state == state)) for state, column in COLUMN_OF.items()},
        "complete_short": sa.func.count().filter(owed & short),
        "not_applicable": sa.func.count().filter(at.bound & ~at.applicable),
        "pictures_required": sa.func.sum(at.pictures_required).filter(owed),
        "pictures_held": sa.func.sum(at.pictures_held).filter(owed),
        "pictures_required_held": sa.func.sum(required_held).filter(owed),
    }
    return (
        sa.select(at.inspection_id, *(counted.label(name) for name, counted in columns.items()))
        .where(among(at.inspection_id))
        .group_by(at.inspection_id)
        .subquery()
    )


def _of_pictures(among: Among) -> sa.Subquery:
    """`rules.open_pictures` written again in SQL."""
    shown, revision = unit_images.c, plan_revisions.c
    words = sa.func.jsonb_array_elements(revision.document["evaluationScale"]).table_valued(
        sa.column("value", JSONB)
    )
    code, needs = (words.c.value[member].astext for member in ("code", "requires"))
    scale = (
        sa.select(revision.id, code.label("code"), needs.label("requires"))
        .select_from(plan_revisions.join(words, sa.true()))
        .subquery()
    )
    requires = sa.func.coalesce(scale.c.requires, "second_look")
    digests = sa.func.count(sa.distinct(shown.digest))
    return (
        sa.select(
            shown.inspection_id,
            digests.filter(scale.c.requires == "engineering").label("pictures_engineering"),
            digests.filter(shown.evaluation.is_not(None) & (requires == "second_look")).label(
                "pictures_second_look"
            ),
            digests.filter((shown.location_key == "") & shown.counted).label("pictures_unplaced"),
        )
        .join(inspections, inspections.c.id == shown.inspection_id)
        .outerjoin(scale, (scale.c.id == inspections.c.revision_id) & (scale.c.code == shown.evaluation))
        .where(among(shown.inspection_id), shown.evaluation.is_not(None) | (shown.location_key == ""))
        .group_by(shown.inspection_id)
        .subquery()
    )


def _as_kept(among: Among) -> sa.Subquery:
    """The same, as it was last counted under the inspection's lock."""
    kept = (inspections.c[name] for name in OPEN_COLUMNS)
    return sa.select(inspections.c.id.label("inspection_id"), *kept).where(among(inspections.c.id)).subquery()


def _per_inspection(among: Among, pictures: sa.Subquery) -> sa.Subquery:
    """`rules.inspection_counts` written again in SQL, so that the two can be compared."""
    at = _of_locations(among)
    counted: dict[str, sa.ColumnElement[int]] = {
        name: sa.func.coalesce(source.c[name], 0)
        for source in (at, pictures)
        for name in source.c.keys()  # noqa: SIM118 (a collection of columns)
        if name != "inspection_id"
    }
    complete = (counted["locations"] > 0) & (counted["complete"] + counted["omitted"] == counted["locations"])
    blocking = counted["complete_short"] + sum(counted[name] for name in OPEN_COLUMNS)
    counted |= {
        "inspections": sa.literal(1),
        "inspections_complete": sa.cast(complete, sa.Integer),
        "inspections_blocked": sa.cast(complete & (blocking > 0), sa.Integer),
    }
    return (
        sa.select(
            inspections.c.id,
            inspections.c.campaign_id,
            inspections.c.site_id,
            inspections.c.type_id,
            *(counted[name].label(name) for name in COLUMNS),
        )
        .outerjoin(at, at.c.inspection_id == inspections.c.id)
        .outerjoin(pictures, pictures.c.inspection_id == inspections.c.id)
        .where(among(inspections.c.id))
        .subquery()
    )


async def open_pictures_of(
    connection: AsyncConnection, inspection_ids: Collection[UUID]
) -> dict[UUID, OpenPictures]:
    """The open pictures of each inspection, counted from what is shown there now."""
    found = dict.fromkeys(inspection_ids, OpenPictures())
    query = sa.select(_of_pictures(lambda inspection_id: inspection_id.in_(inspection_ids)))
    for row in (await connection.execute(query)).mappings():
        found[row["inspection_id"]] = OpenPictures(**{name: row[name] for name in OPEN_COLUMNS})
    return found


async def counts_of(connection: AsyncConnection, inspection_ids: Collection[UUID]) -> dict[UUID, Counts]:
    """The counts of each inspection, from its locations and from what is kept of its pictures."""

    def among(inspection_id: sa.ColumnElement[UUID]) -> sa.ColumnElement[bool]:
        return inspection_id.in_(inspection_ids)

    query = sa.select(_per_inspection(among, _as_kept(among)))
    found = dict.fromkeys(inspection_ids, Counts(inspections=1))
    for row in (await connection.execute(query)).mappings():
        found[row["id"]] = counts_in(row)
    return found


def key_in(row: Row) -> RollupKey:
    return row["campaign_id"], row["site_id"], row["type_id"]


def counts_in(row: Row) -> Counts:
    return Counts(**{name: row[name] for name in COLUMNS})


async def recount(connection: AsyncConnection, campaign_ids: Collection[UUID]) -> dict[RollupKey, Counts]:
    """The roll-up of campaigns counted anew, from what is kept of every inspection and location."""

    def among(inspection_id: sa.ColumnElement[UUID]) -> sa.ColumnElement[bool]:
        return inspection_id.in_(
            sa.select(inspections.c.id).where(inspections.c.campaign_id.in_(campaign_ids))
        )

    each = _per_inspection(among, _as_kept(among)).c
    key = [each[name] for name in KEY_COLUMNS]
    sums = [sa.cast(sa.func.sum(each[name]), sa.BigInteger).label(name) for name in COLUMNS]
    rows = await connection.execute(sa.select(*key, *sums).group_by(*key))
    return {key_in(row): counts_in(row) for row in rows.mappings()}


_HELD = sa.text(
    """
    SELECT inspection_id, location_key, count(DISTINCT digest)::integer AS pictures
    FROM unit_images WHERE inspection_id = ANY(:inspections) AND counted AND location_key <> ''
    GROUP BY inspection_id, location_key
    """
)


async def pictures_held_of(
    connection: AsyncConnection, inspection_ids: Collection[UUID]
) -> dict[UUID, dict[str, int]]:
    """Of each inspection how many pictures count at each location, from what is shown there now."""
    found: dict[UUID, dict[str, int]] = {inspection_id: {} for inspection_id in inspection_ids}
    for row in await connection.execute(_HELD, {"inspections": list(inspection_ids)}):
        found[row.inspection_id][row.location_key] = row.pictures
    return found

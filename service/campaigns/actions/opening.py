"""Use cases on campaigns: open one over units, plan and window, add units, edit, close."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.noting import note
from service.access.rules import Act, Caller
from service.campaigns import rules
from service.campaigns.actions import binding, reading
from service.campaigns.actions.projections import locations_for
from service.campaigns.rules import BoundLocation, Counts
from service.campaigns.store import rollup
from service.campaigns.store.campaigns import (
    campaign_by_id,
    insert_campaign,
    lock_campaign,
    name_taken,
    units_by_serial,
    update_campaign,
)
from service.campaigns.store.inspections import insert_inspections, units_in_campaign
from service.campaigns.store.locations import bind_locations
from service.campaigns.store.rollup import RollupKey
from service.campaigns.store.tables import bindings
from service.contract.campaigns import Campaign, CampaignIn
from service.contract.problem import ProblemError
from service.contract.wire import new_id
from service.database import Database, Row, server_now
from service.errors import Conflict, Invalid
from service.facts.store import append
from service.http import etag_of
from service.plans.store import plan_by_code, revision_document
from service.walls import read_across_sites

Unchanged = Callable[[str], None]
# The reason of the binding that opens an inspection.
AT_FIRST = "effective at the site when the inspection was opened"


def campaign_tag(campaign_id: UUID, version: int) -> str:
    """The entity tag of what can be edited of a campaign; its counts move without it."""
    return etag_of([campaign_id, version])


async def put_campaign(
    db: Database, caller: Caller, campaign_id: UUID, wanted: CampaignIn, *, unchanged: Unchanged | None
) -> Campaign:
    """Open a campaign, or with `unchanged` change the name or window of one that was read before.

    `unchanged` is called with the present entity tag and raises Stale where that is not the one read.

    Raises Conflict (the id or name is taken by other content, the plan or units of an open campaign
    would change, no revision is effective at a site), Invalid (unknown plan or serial, a unit of
    another equipment type, a window that ends before it begins), NotAllowed, Stale. The same request
    again gives the campaign as it stands (I8).
    """
    caller.must(Act.RUN_CAMPAIGN)
    account_id = caller.person()
    if wanted.closes < wanted.opens:
        raise Invalid(f"The window closes on {wanted.closes}, before it opens on {wanted.opens}.")
    async with db.begin() as connection:
        plan = await plan_by_code(connection, wanted.plan)
        if plan is None:
            raise Invalid(
                f"There is no standard plan {wanted.plan}.", next_step="Take one from the plan library."
            )
        values = {
            "id": campaign_id,
            "name": wanted.name,
            "plan_id": plan["id"],
            "opens": wanted.opens,
            "closes": wanted.closes,
            "version": 1,
            "created_at": server_now(),
            "created_by": account_id,
        }
        if unchanged is None and await insert_campaign(connection, values):
            await _open_inspections(connection, caller, campaign_id, wanted.units)
            opened = {"id": campaign_id, "name": wanted.name}
            await _note(connection, "campaign_opened", caller, opened, {"units": len(wanted.units)})
        else:
            await _change(connection, caller, campaign_id, wanted, unchanged)
        return await reading.visible_campaign(connection, caller, campaign_id)


async def _change(
    connection: AsyncConnection,
    caller: Caller,
    campaign_id: UUID,
    wanted: CampaignIn,
    unchanged: Unchanged | None,
) -> None:
    """Accept a repetition, edit what was read, or raise."""
    campaign = await lock_campaign(connection, campaign_id, share=False)
    if campaign is None and unchanged is None:
        raise Conflict(
            f"A campaign is already named {wanted.name}.", next_step="Give this one a name of its own."
        )
    if campaign is None:
        raise reading.no_campaign(campaign_id)
    await _must_run_all(connection, caller, campaign)
    if wanted.plan != campaign["plan"] or not await _all_in(connection, campaign_id, wanted.units):
        raise Conflict(
            f"Campaign {campaign['name']} is already open with another plan or without some of these units.",
            next_step="Add units with PUT .../units; for another plan open another campaign.",
        )
    fields = ("name", "opens", "closes")
    changes = {name: getattr(wanted, name) for name in fields if getattr(wanted, name) != campaign[name]}
    if not changes:
        return
    if unchanged is None:
        raise Conflict(
            f"Campaign {campaign_id} is already open with another {', '.join(changes)}.",
            next_step="To change it, read it and send its ETag as If-Match.",
        )
    unchanged(campaign_tag(campaign_id, campaign["version"]))
    await _edit(connection, campaign, changes)
    detail = {name: str(value) for name, value in changes.items()}
    await _note(connection, "campaign_changed", caller, campaign, detail)


async def _edit(connection: AsyncConnection, campaign: Row, changes: Mapping[str, Any]) -> None:
    refuse_closed(campaign)
    if "name" in changes and await name_taken(connection, changes["name"]):
        raise Conflict(f"A campaign is already named {changes['name']}.")
    await update_campaign(connection, campaign["id"], dict(changes))


async def _all_in(connection: AsyncConnection, campaign_id: UUID, serials: Sequence[str]) -> bool:
    found = await units_by_serial(connection, serials)
    inside = await units_in_campaign(connection, campaign_id)
    return found.keys() == set(serials) and all(unit["id"] in inside for unit in found.values())


def refuse_closed(campaign: Row) -> None:
    if campaign["closed_at"] is not None:
        raise Conflict(
            f"Campaign {campaign['name']} is closed.", next_step="Open a new campaign for further work."
        )


async def _must_run_all(connection: AsyncConnection, caller: Caller, campaign: Row) -> None:
    """Changing a campaign touches all its sites: raise NotAllowed unless the caller has them all."""
    caller.must(Act.RUN_CAMPAIGN)
    # A site that is not seen would pass for one that is not touched.
    await read_across_sites(connection)
    rows = await rollup.completion_rows(connection, campaign_ids=[campaign["id"]])
    for site in sorted({row["site"] for row in rows}):
        caller.must(Act.RUN_CAMPAIGN, site)


async def add_units(db: Database, caller: Caller, campaign_id: UUID, serials: Sequence[str]) -> Campaign:
    """Add units by serial number, each bound to the revision effective at its site now.

    Units that are in already stay as they are (I8). All are added or none; raises as `put_campaign`.
    """
    caller.must(Act.RUN_CAMPAIGN)
    async with db.begin() as connection:
        campaign = await lock_campaign(connection, campaign_id, share=True)
        if campaign is None:
            raise reading.no_campaign(campaign_id)
        await reading.visible_campaign(connection, caller, campaign_id)
        await _open_inspections(connection, caller, campaign_id, serials)
        return await reading.visible_campaign(connection, caller, campaign_id)


async def close_campaign(db: Database, caller: Caller, campaign_id: UUID) -> Campaign:
    """Close a campaign: it takes no more statements or units. A repeated request answers the same (I8)."""
    caller.must(Act.RUN_CAMPAIGN)
    async with db.begin() as connection:
        campaign = await lock_campaign(connection, campaign_id, share=False)
        if campaign is None:
            raise reading.no_campaign(campaign_id)
        await reading.visible_campaign(connection, caller, campaign_id)
        await _must_run_all(connection, caller, campaign)
        if campaign["closed_at"] is None:
            await update_campaign(connection, campaign_id, {"closed_at": server_now()})
            await _note(connection, "campaign_closed", caller, campaign, {})
        return await reading.visible_campaign(connection, caller, campaign_id)


async def _note(
    connection: AsyncConnection,
    kind: str,
    caller: Caller,
    campaign: Row | Mapping[str, Any],
    detail: Mapping[str, Any],
) -> None:
    rows = await rollup.completion_rows(connection, campaign_ids=[campaign["id"]])
    await note(
        connection,
        kind,
        by_account_id=caller.account_id,
        concerns=campaign["name"],
        sites=sorted({row["site"] for row in rows}) or None,
        detail={"campaign_id": str(campaign["id"]), **detail},
    )


# A revision and a build: the units that share them have the same locations.
_Group = tuple[UUID, str]


async def _open_inspections(
    connection: AsyncConnection, caller: Caller, campaign_id: UUID, serials: Sequence[str]
) -> None:
    campaign = await campaign_by_id(connection, campaign_id)
    assert campaign is not None
    found = await units_by_serial(connection, serials)
    # A unit of another site is not told from one that is not there.
    found = {serial: unit for serial, unit in found.items() if caller.at(unit["site"])}
    _check_units(campaign, serials, found)
    inside = await units_in_campaign(connection, campaign_id)
    fresh = [unit for unit in found.values() if unit["id"] not in inside]
    if not fresh:
        return
    refuse_closed(campaign)
    grouped = await _grouped(connection, campaign, fresh)
    locations = {group: await _locations(connection, group) for group in grouped}
    await _write(connection, caller, campaign, grouped, locations)


def _check_units(campaign: Row, serials: Sequence[str], found: Mapping[str, Row]) -> None:
    unknown = [
        ProblemError(f"There is no unit {serial} at your sites.", path=f"/units/{at}")
        for at, serial in enumerate(serials)
        if serial not in found
    ]
    foreign = [
        ProblemError(f"Unit {serial} is of type {found[serial]['equipment_type']}.", path=f"/units/{at}")
        for at, serial in enumerate(serials)
        if serial in found and found[serial]["type_id"] != campaign["type_id"]
    ]
    if unknown or foreign:
        raise Invalid(
            f"{len(unknown)} serial number(s) are unknown and {len(foreign)} unit(s) are not of type "
            f"{campaign['equipment_type']}, which plan {campaign['plan']} is for: "
            f"{(unknown + foreign)[0].detail}",
            consequence="No unit was added.",
            next_step="Pick the units from the list of units; leave these out.",
            errors=(unknown + foreign)[:100],
        )


async def _grouped(
    connection: AsyncConnection, campaign: Row, fresh: Sequence[Row]
) -> dict[_Group, list[Row]]:
    revisions = {
        site: await binding.effective_now(connection, campaign["plan_id"], campaign["plan"], site)
        for site in sorted({unit["site"] for unit in fresh})
    }
    grouped: dict[_Group, list[Row]] = {}
    for unit in fresh:
        grouped.setdefault((revisions[unit["site"]], unit["build"]), []).append(unit)
    return grouped


async def _locations(connection: AsyncConnection, group: _Group) -> list[BoundLocation]:
    revision_id, build = group
    return locations_for(await revision_document(connection, revision_id), build)


async def _write(
    connection: AsyncConnection,
    caller: Caller,
    campaign: Row,
    grouped: Mapping[_Group, Sequence[Row]],
    locations: Mapping[_Group, Sequence[BoundLocation]],
) -> None:
    """Insert the inspections with binding and locations, and add them to the roll-up; set by set."""
    now = server_now()
    rows = {
        new_id(): (group, unit)
        for group, units in grouped.items()
        for unit in sorted(units, key=lambda u: u["id"])
    }
    values = [
        {
            "id": key,
            "campaign_id": campaign["id"],
            "unit_id": unit["id"],
            "site_id": unit["site_id"],
            "type_id": unit["type_id"],
            "revision_id": group[0],
            "version": 1,
            "created_at": now,
        }
        for key, (group, unit) in rows.items()
    ]
    values.sort(key=lambda value: value["unit_id"])
    made = await insert_inspections(connection, values)
    if not made:
        return
    first = [
        {
            "id": new_id(),
            "inspection_id": value["id"],
            "revision_id": value["revision_id"],
            "reason": AT_FIRST,
        }
        for value in values
        if value["id"] in made
    ]
    await append(connection, bindings, first, caller)
    changes: dict[RollupKey, Counts] = {}
    for group in grouped:
        here = [key for key, (of, _) in rows.items() if of == group and key in made]
        await bind_locations(connection, here, locations[group])
        each, _ = rules.inspection_counts(locations[group], {})
        sites = Counter((campaign["id"], rows[key][1]["site_id"], campaign["type_id"]) for key in here)
        for rollup_key, number in sites.items():
            so_far = changes.get(rollup_key, Counts())
            changes[rollup_key] = rules.rollup([so_far, rules.times(each, number)])
    await rollup.add_to_completion(connection, changes)

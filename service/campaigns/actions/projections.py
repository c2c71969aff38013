"""What is kept of inspections beside their facts: their binding, their locations, and the roll-up."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns import rules
from service.campaigns.rules import BoundLocation, Counts, Statement
from service.campaigns.store import rollup
from service.campaigns.store.inspections import (
    COUNTED,
    counted_of,
    inspections_by_id,
    keep_counted,
    lock_inspections,
)
from service.campaigns.store.locations import (
    bind_locations,
    bind_revision,
    bound_location,
    keep_folded,
    locations_of,
)
from service.campaigns.store.statements import standing_bindings, statements_of
from service.campaigns.store.tables import campaigns, inspections
from service.contract.plan_document import PlanDocument
from service.database import Row, keys_after
from service.errors import Conflict
from service.facts.projections import State
from service.plans.store import revision_document

KEYS_AT_ONCE = 100


def spoken(row: Row) -> Statement:
    return Statement(
        row["id"], row["kind"], frozenset(row["locations"]), frozenset(row["replaces"]), row["reason"]
    )


def locations_for(document: PlanDocument, build: str) -> list[BoundLocation]:
    """The locations of a revision in job order, as a unit of this build has them (I11).

    Raises Conflict where the revision has nothing for the build.
    """
    if build not in document.builds or not document.locations_for(build):
        raise Conflict(
            f"Revision {document.revision} of plan {document.plan} has no location for build {build}.",
            next_step="Have the quality office add the build to the plan, or leave units of this build out.",
        )
    return [
        BoundLocation(
            location.key,
            applicable=build in location.builds,
            mandatory=location.mandatory,
            pictures_required=location.pictures.required,
        )
        for location in document.locations()
    ]


def _at(location_key: str) -> tuple[str, str]:
    """The name of what is kept of a location, which no value of the inspection itself has."""
    return "location", location_key


def location_keys(state: State) -> Iterator[str]:
    """The keys of the locations of which a state tells."""
    return (name[1] for name in state if isinstance(name, tuple))


class OfInspections:
    """What projections with a state per inspection have in common."""

    keys_at_once = KEYS_AT_ONCE

    async def keys(self, connection: AsyncConnection, after: UUID | None) -> Sequence[UUID]:
        return await keys_after(connection, inspections.c.id, after, self.keys_at_once)

    async def lock(self, connection: AsyncConnection, keys: Collection[UUID]) -> None:
        await lock_inspections(connection, keys)

    def named(self, key: UUID) -> str:
        return f"inspection {key}"


class Bindings(OfInspections):
    """To which revision each inspection is bound, and which locations it has by it (I10, I11)."""

    name = "bindings"

    async def kept(self, connection: AsyncConnection, keys: Collection[UUID]) -> dict[UUID, State]:
        rows_of = await locations_of(connection, keys)
        return {
            inspection.id: {"revision_id": inspection.revision_id}
            | {_at(row["location_key"]): _bound(row) for row in rows_of[inspection.id]}
            for inspection in (await inspections_by_id(connection, keys)).values()
        }

    async def fold(self, connection: AsyncConnection, keys: Collection[UUID]) -> dict[UUID, State]:
        revisions = await standing_bindings(connection, keys)
        documents = {key: await revision_document(connection, key) for key in set(revisions.values())}
        rows_of = await locations_of(connection, keys)
        states: dict[UUID, State] = {}
        for inspection in (await inspections_by_id(connection, keys)).values():
            revision_id = revisions[inspection.id]
            locations = locations_for(documents[revision_id], inspection.build)
            # A location that the revision no longer has stays, with what was stated and seen there.
            gone = {_at(row["location_key"]): None for row in rows_of[inspection.id]}
            here = {_at(location.key): (ordinal, location) for ordinal, location in enumerate(locations, 1)}
            states[inspection.id] = {"revision_id": revision_id} | gone | here
        return states

    async def write(self, connection: AsyncConnection, states: Mapping[UUID, State]) -> None:
        for inspection_id, state in states.items():
            await bind_revision(connection, inspection_id, state["revision_id"])
            bound = sorted(value for value in state.values() if isinstance(value, tuple))
            await bind_locations(connection, [inspection_id], [location for _, location in bound])


def _bound(row: Row) -> tuple[int, BoundLocation] | None:
    """Place in job order and location; None: the bound revision does not have it."""
    if not row["bound"]:
        return None
    location = BoundLocation(
        row["location_key"],
        applicable=row["applicable"],
        mandatory=row["mandatory"],
        pictures_required=row["pictures_required"],
    )
    return row["ordinal"], location


class Inspections(OfInspections):
    """What statements and pictures make of the locations of each inspection, and whether it is complete."""

    name = "inspections"

    async def kept(self, connection: AsyncConnection, keys: Collection[UUID]) -> dict[UUID, State]:
        counted = await counted_of(connection, keys)
        rows_of = await locations_of(connection, keys)
        return {
            key: {name: values[name] for name in COUNTED}
            | {
                _at(row["location_key"]): (row["state"], tuple(row["heads"]), row["pictures_held"])
                for row in rows_of[key]
            }
            for key, values in counted.items()
        }

    async def fold(self, connection: AsyncConnection, keys: Collection[UUID]) -> dict[UUID, State]:
        return {key: state for key, (state, _) in (await folded_inspections(connection, keys)).items()}

    async def write(self, connection: AsyncConnection, states: Mapping[UUID, State]) -> None:
        await keep_folded(
            connection,
            [
                {"inspection_id": key, "location_key": name[1], "state": value[0], "heads": value[1]}
                | {"pictures_held": value[2]}
                for key, state in states.items()
                for name, value in state.items()
                if isinstance(name, tuple)
            ],
        )
        counted = [{"id": key} | {name: state[name] for name in COUNTED} for key, state in states.items()]
        await keep_counted(connection, counted)


async def folded_inspections(
    connection: AsyncConnection, keys: Collection[UUID]
) -> dict[UUID, tuple[State, Counts]]:
    """What has to be kept of each inspection, and its counts."""
    rows_of = await locations_of(connection, keys)
    spoken_of = await statements_of(connection, keys)
    held_of = await rollup.pictures_held_of(connection, keys)
    open_of = await rollup.open_pictures_of(connection, keys)
    return {key: _folded(rows_of[key], spoken_of[key], held_of[key], open_of[key]) for key in keys}


def _folded(
    rows: Sequence[Row],
    statements: Sequence[Row],
    pictures_at: Mapping[str, int],
    pictures: rules.OpenPictures,
) -> tuple[State, Counts]:
    locations = [
        bound_location({**row, "pictures_held": pictures_at.get(row["location_key"], 0)}) for row in rows
    ]
    folds = rules.fold(map(spoken, statements), (location.key for location in locations))
    states = {location.key: rules.shown_state(location, folds[location.key]) for location in locations}
    counts, complete = rules.inspection_counts(locations, states, pictures)
    kept: dict[Any, Any] = {"complete": complete, **asdict(pictures)}
    for location in locations:
        folded = folds[location.key]
        kept[_at(location.key)] = (states[location.key], folded.heads, location.pictures_held)
    return kept, counts


class Completion:
    """The roll-up of each campaign by site and equipment type: the sum over its inspections."""

    name = "completion"

    async def keys(self, connection: AsyncConnection, after: UUID | None) -> Sequence[UUID]:
        return await keys_after(connection, campaigns.c.id, after, 1)

    async def lock(self, connection: AsyncConnection, keys: Collection[UUID]) -> None:
        await rollup.lock_rows(connection, keys)

    async def kept(self, connection: AsyncConnection, keys: Collection[UUID]) -> dict[UUID, State]:
        rows = await rollup.completion_rows(connection, campaign_ids=keys)
        return _by_campaign(keys, {rollup.key_in(row): rollup.counts_in(row) for row in rows})

    async def fold(self, connection: AsyncConnection, keys: Collection[UUID]) -> dict[UUID, State]:
        return _by_campaign(keys, await rollup.recount(connection, keys))

    async def write(self, connection: AsyncConnection, states: Mapping[UUID, State]) -> None:
        rows: dict[rollup.RollupKey, dict[str, int]] = {}
        for campaign_id, state in states.items():
            for (site_id, type_id, column), number in state.items():
                rows.setdefault((campaign_id, site_id, type_id), {})[column] = number
        await rollup.keep_rows(connection, states, {key: Counts(**columns) for key, columns in rows.items()})

    def named(self, key: UUID) -> str:
        return f"campaign {key}"


def _by_campaign(keys: Collection[UUID], counts: Mapping[rollup.RollupKey, Counts]) -> dict[UUID, State]:
    """A value for each column of each row; rows with nothing but zeros are left out."""
    states: dict[UUID, dict[Any, int]] = {key: {} for key in keys}
    for (campaign_id, site_id, type_id), row in counts.items():
        if row != Counts():
            states[campaign_id] |= {(site_id, type_id, name): number for name, number in asdict(row).items()}
    return dict(states)


BINDINGS, INSPECTIONS, COMPLETION = Bindings(), Inspections(), Completion()

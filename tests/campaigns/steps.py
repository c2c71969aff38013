"""The steps that tests of campaigns take over and over: opening one, stating something, recounting."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any
from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Caller, Role
from service.campaigns import rules
from service.campaigns.actions import opening, reading
from service.campaigns.actions.projections import BINDINGS, COMPLETION, INSPECTIONS, spoken
from service.campaigns.actions.settling import changing
from service.campaigns.actions.stating import make_statement
from service.campaigns.store import rollup
from service.campaigns.store.inspections import inspection_page
from service.campaigns.store.locations import bound_location, locations_of
from service.campaigns.store.statements import statements_of
from service.campaigns.store.tables import unit_images
from service.contract.campaigns import Campaign, CampaignIn, InspectionDetail, InspectionRow, StatementMade
from service.contract.wire import new_id
from service.contract.work import StatementIn
from service.database import Database, server_now
from service.facts.projections import differences
from service.images.store import images
from service.plans.store import revision_document
from tests import factories

WINDOW = {"opens": date(2026, 9, 1), "closes": date(2026, 11, 30)}


def wanted(made: factories.Fleet, serials: list[str], **more: Any) -> CampaignIn:
    return CampaignIn(**{"name": f"C {new_id().hex}", "plan": made.plan, "units": serials, **WINDOW, **more})


async def campaign(db: Database, made: factories.Fleet, serials: list[str], name: str = "Autumn") -> Campaign:
    manager = await factories.person(db, Role.MANAGER)
    body = wanted(made, serials, name=f"{name} {new_id().hex}")
    return await opening.put_campaign(db, manager, new_id(), body, unchanged=None)


async def rows(db: Database, campaign_id: UUID) -> list[InspectionRow]:
    reader = await factories.person(db, Role.AUDITOR)
    found, _ = await reading.list_inspections(
        db, reader, campaign_id, site=None, state=None, after=None, limit=1000
    )
    return found


async def one_inspection(db: Database, made: factories.Fleet, unit_build: str = "X") -> UUID:
    """Opens the inspection of one new unit in a new campaign."""
    opened = await campaign(db, made, await factories.add_units(db, made, 1, build=unit_build))
    return (await rows(db, opened.id))[0].id


def words(inspection_id: UUID, kind: str = "complete", on: str | None = None, **more: object) -> StatementIn:
    """Makes a statement; `on` names locations by their one-letter keys, None is the whole unit."""
    return StatementIn(
        id=new_id(),
        inspection_id=inspection_id,
        kind=kind,  # type: ignore[arg-type]
        locations=None if on is None else list(on),
        **more,  # type: ignore[arg-type]
    )


async def say(
    db: Database, caller: Caller, inspection_id: UUID, kind: str = "complete", on: str | None = None, **more
) -> StatementMade:
    return await make_statement(db, caller, words(inspection_id, kind, on, **more))


def states(inspection: InspectionDetail) -> dict[str, str]:
    return {location.key: location.state for location in inspection.locations}


async def show_pictures(
    connection: AsyncConnection, inspection: rules.Inspection, by_location: Mapping[str, int]
) -> None:
    """Shows so many more pictures at each location (with negative numbers fewer), as placements would."""
    shown = unit_images.c
    for key, number in by_location.items():
        gone = sa.select(shown.id).where(shown.inspection_id == inspection.id, shown.location_key == key)
        await connection.execute(sa.delete(unit_images).where(shown.id.in_(gone.limit(max(0, -number)))))
        for _ in range(number):
            digest, now = 2 * new_id().hex, server_now()
            image = {"digest": digest, "size": 1, "site": inspection.site, "verified_at": now}
            await connection.execute(sa.insert(images).values(image))
            await connection.execute(
                sa.insert(unit_images).values(
                    id=new_id(),
                    unit_id=inspection.unit_id,
                    inspection_id=inspection.id,
                    digest=digest,
                    location_key=key,
                    first_sighting_id=new_id(),
                    placement_id=new_id(),
                    sightings=1,
                    counted=True,
                    taken_at=now,
                    taken_basis="read",
                )
            )


async def add_pictures(
    connection: AsyncConnection, inspection_id: UUID, by_location: Mapping[str, int]
) -> None:
    """Shows pictures at one inspection, if there is such, and folds it."""
    async with changing(connection, [inspection_id]) as inspections:
        for inspection in inspections.values():
            await show_pictures(connection, inspection, by_location)


async def assert_sound(db: Database, campaign_id: UUID) -> None:
    """Asserts that the roll-up equals a recount, and every inspection what the rules make of all that was
    stated of it and is shown at it."""
    async with db.begin() as connection:
        found = await inspection_page(
            connection, campaign_id, site_codes=None, state=None, after=None, limit=100_000
        )
        ids = [inspection.id for inspection in found]
        assert await differences(connection, COMPLETION, [campaign_id]) == ([], {})
        for projection in (BINDINGS, INSPECTIONS):
            assert await differences(connection, projection, ids) == ([], {})
        said, held = await statements_of(connection, ids), await locations_of(connection, ids)
        counts = await rollup.counts_of(connection, ids)
        pictures = await _pictures_of(connection, found)
    for inspection in found:
        locations = held[inspection.id]
        folds = rules.fold(map(spoken, said[inspection.id]), [at["location_key"] for at in locations])
        for at in locations:
            folded = folds[at["location_key"]]
            assert tuple(at["heads"]) == folded.heads
            assert at["state"] == rules.shown_state(bound_location(at), folded)
        counted, complete = rules.inspection_counts(
            map(bound_location, locations),
            {key: folded.state for key, folded in folds.items()},
            pictures[inspection.id],
        )
        assert inspection.complete == complete
        assert counts[inspection.id] == counted


async def _pictures_of(
    connection: AsyncConnection, found: Sequence[rules.Inspection]
) -> dict[UUID, rules.OpenPictures]:
    """Counts by the rule, from each row that is shown and the scale of the revision that is bound."""
    shown = unit_images.c
    counted = {}
    for inspection in found:
        document = await revision_document(connection, inspection.revision_id)
        query = sa.select(shown.digest, shown.location_key, shown.evaluation)
        here = await connection.execute(query.where(shown.inspection_id == inspection.id))
        counted[inspection.id] = rules.open_pictures(
            (rules.ShownPicture(*at) for at in here),
            {word.code: word.requires for word in document.evaluation_scale},
        )
    return counted

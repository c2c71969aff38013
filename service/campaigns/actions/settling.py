"""How an inspection changes: lock, let facts be written, fold once, move the roll-up by the difference."""

from __future__ import annotations

from collections.abc import AsyncIterator, Collection
from contextlib import asynccontextmanager
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.campaigns import rules
from service.campaigns.actions.projections import INSPECTIONS, folded_inspections
from service.campaigns.rules import Counts, Inspection
from service.campaigns.store import rollup
from service.campaigns.store.inspections import lock_inspections
from service.campaigns.store.rollup import RollupKey
from service.walls import read_across_sites


@asynccontextmanager
async def changing(
    connection: AsyncConnection, inspection_ids: Collection[UUID]
) -> AsyncIterator[dict[UUID, Inspection]]:
    """Yields the inspections, locked; facts about them, and what they show, are written inside the block.

    Enter it once in a transaction, with every inspection that it will touch: the order of locks rests on
    it. On leaving, each is folded from all its facts, and the roll-up moves by what changed, in the caller's
    transaction. Ids that do not exist are absent from what is yielded.
    """
    # A fold is of all facts there are.
    await read_across_sites(connection)
    locked = await lock_inspections(connection, inspection_ids)
    before = await rollup.counts_of(connection, locked.keys())
    yield locked
    if not locked:
        return
    folded = await folded_inspections(connection, locked.keys())
    await INSPECTIONS.write(connection, {key: state for key, (state, _) in folded.items()})
    changes: dict[RollupKey, list[Counts]] = {}
    for inspection in locked.values():
        key = (inspection.campaign_id, inspection.site_id, inspection.type_id)
        _, counts = folded[inspection.id]
        changes.setdefault(key, []).append(rules.delta(before[inspection.id], counts))
    await rollup.add_to_completion(
        connection, {key: rules.rollup(differences) for key, differences in changes.items()}
    )

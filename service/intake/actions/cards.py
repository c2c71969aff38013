"""Cards that are prepared and go out to an inspection."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Act, Caller
from service.access.store import known_site
from service.campaigns.store.inspections import inspection_by_id
from service.contract.cards import (
    CardPrepared,
    RecordedCard,
)
from service.database import Database, Row, storable
from service.errors import Invalid, NotFound
from service.facts.store import append_one, recorded
from service.intake.store.returns import card_by_id, revision_label
from service.intake.store.tables import cards


async def prepare_card(db: Database, caller: Caller, card_id: UUID, body: CardPrepared) -> RecordedCard:
    """Record that a card was prepared for an inspection of the agent's site."""
    caller.must(Act.READ_CARD, body.site)
    async with db.begin() as connection:
        site = await known_site(connection, body.site)
        if not await recorded(connection, cards, [card_id]):
            await _check_preparation(connection, body)
        fact = {"id": card_id, "site_id": site["id"], **_words(body)}
        await append_one(connection, cards, fact, caller, f"Card {card_id}")
        row = await card_by_id(connection, card_id)
        assert row is not None
        return recorded_card(row)


def _words(body: CardPrepared) -> dict[str, Any]:
    values = {name: getattr(body, name) for name in body.__struct_fields__ if name != "site"}
    return {name: storable(value) if isinstance(value, str) else value for name, value in values.items()}


async def _check_preparation(connection: AsyncConnection, body: CardPrepared) -> None:
    inspection = await inspection_by_id(connection, body.inspection_id)
    if inspection is None or inspection.site != body.site:
        raise Invalid(
            f"Site {body.site} has no inspection {body.inspection_id}.",
            next_step="Pull the worklist of the site and prepare the card for an inspection of it.",
        )
    if await revision_label(connection, body.revision_id) is None:
        raise Invalid(
            f"There is no plan revision {body.revision_id}.",
            next_step="Pull the plans and prepare the card again.",
        )


async def read_card(db: Database, caller: Caller, card_id: UUID) -> RecordedCard:
    """A prepared card of one of the caller's sites."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        row = await card_by_id(connection, card_id)
    if row is None or not caller.at(row["site"]):
        raise NotFound(f"No card {card_id} is recorded at your sites.")
    return recorded_card(row)


def recorded_card(row: Row) -> RecordedCard:
    return RecordedCard(**{name: row[name] for name in RecordedCard.__struct_fields__})

"""Cards that come back, up to the commit (service.intake.actions.commit)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.actions.keys import trusted_ids
from service.access.rules import Act, Caller
from service.access.store import known_site
from service.campaigns.store.inspections import inspection_by_id
from service.contract.cards import (
    CardReturnOpen,
    RecordedReturn,
    RefusedStatement,
    UnreadFile,
)
from service.contract.comparing import ReturnAsked, ReturnsKnown
from service.contract.records import ReturnFile
from service.database import Database, Row, server_now, storable_json
from service.errors import Conflict, NotAllowed, NotFound, Unavailable
from service.intake.rules.clocks import clocks
from service.intake.store.card_return import CardReturn
from service.intake.store.returns import (
    card_by_id,
    committed_manifests,
    committed_of_agent,
    files_page,
    insert_return,
    receipt_bodies,
    return_by_id,
    returns_page,
    revision_label,
)
from service.walls import read_across_sites


class ReturnDiffers(Conflict):
    slug, title = "return-differs", "The card return is recorded with other content"


class ReturnOfAnotherAgent(NotAllowed):
    slug, title = "return-of-another-agent", "Another agent opened the card return"


async def open_return(
    db: Database, caller: Caller, return_id: UUID, opening: CardReturnOpen
) -> RecordedReturn:
    """Open a card return; the same opening again answers how the return is by then."""
    caller.must(Act.READ_CARD, opening.site)
    as_sent = storable_json(msgspec.to_builtins(opening))
    async with db.begin() as connection:
        # An id that is taken is taken at every site.
        await read_across_sites(connection)
        card_return = await return_by_id(connection, return_id)
        if card_return is None:
            await _insert_return(connection, caller, return_id, opening, as_sent)
            card_return = await return_by_id(connection, return_id)
        assert card_return is not None
        _refuse_another(caller, card_return)
        if card_return.opening != as_sent:
            raise ReturnDiffers(
                f"Card return {return_id} is recorded with other content.",
                next_step="Open a new card return with a new id; what was sent under this id stays.",
            )
        return recorded_return(card_return)


async def _insert_return(
    connection: AsyncConnection, caller: Caller, return_id: UUID, opening: CardReturnOpen, as_sent: Any
) -> None:
    site = await known_site(connection, opening.site)
    card = await card_by_id(connection, opening.card_id) if opening.card_id else None
    _refuse_foreign(card["site"] if card else None, opening.site, f"Card {opening.card_id}")
    inspection = None
    if opening.inspection_id is not None:
        inspection = await inspection_by_id(connection, opening.inspection_id)
        where = inspection.site if inspection else None
        _refuse_foreign(where, opening.site, f"Inspection {opening.inspection_id}")
    revision = opening.revision_id and await revision_label(connection, opening.revision_id)
    await insert_return(
        connection,
        {
            "id": return_id,
            "site_id": site["id"],
            "agent_id": caller.agent_id,
            "card_id": opening.card_id,
            "inspection_id": opening.inspection_id if inspection else None,
            "revision_id": opening.revision_id if revision else None,
            "profile": opening.profile,
            "scope": as_sent["scope"],
            "person": as_sent["person"],
            "shift": as_sent["shift"],
            "volume": as_sent["volume"],
            "opening": as_sent,
            "started_at": opening.started_at,
            "opened_at": server_now(),
        },
    )


def _refuse_foreign(found_at: str | None, site: str, what: str) -> None:
    if found_at is not None and found_at != site:
        raise Conflict(
            f"{what} belongs to another site than {site}.",
            consequence="Nothing was changed. The card stays as it is: do not wipe it.",
            next_step="Have the card read by an agent of the site it was prepared at.",
        )


def recorded_return(card_return: CardReturn) -> RecordedReturn:
    """A card return as the API shows it."""
    shown = {name: getattr(card_return, name) for name in RecordedReturn.__struct_fields__ if name != "state"}
    shown["unread"] = msgspec.convert(card_return.unread, list[UnreadFile])
    shown["refused"] = msgspec.convert(card_return.refused, list[RefusedStatement])
    return RecordedReturn(**shown, state="open" if card_return.committed_at is None else "committed")


async def own_return(
    connection: AsyncConnection, caller: Caller, return_id: UUID, act: Act, lock: str = ""
) -> CardReturn:
    """A card return the caller may do `act` on; raises NotFound for other sites' returns as well."""
    caller.must(act)
    card_return = await return_by_id(connection, return_id, lock)
    if card_return is None or not caller.at(card_return.site):
        raise NotFound(
            f"No card return {return_id} is open at your sites.",
            next_step="Open the card return first, with an agent of the card's site.",
        )
    return card_return


async def opened_return(
    connection: AsyncConnection, caller: Caller, return_id: UUID, lock: str = ""
) -> CardReturn:
    """A card return that the calling agent opened: nobody else sends for it, the receipt names who did."""
    card_return = await own_return(connection, caller, return_id, Act.READ_CARD, lock)
    _refuse_another(caller, card_return)
    return card_return


def _refuse_another(caller: Caller, card_return: CardReturn) -> None:
    if card_return.agent_id != caller.agent_id:
        raise ReturnOfAnotherAgent(
            f"Card return {card_return.id} was opened by agent {card_return.agent}; only that agent sends "
            "for it.",
            consequence="Nothing was changed. Do not wipe the card.",
            next_step="Open a card return of this agent's own, with a new id.",
        )


async def read_return(db: Database, caller: Caller, return_id: UUID) -> RecordedReturn:
    """A card return as it is now."""
    async with db.begin() as connection:
        return recorded_return(await own_return(connection, caller, return_id, Act.READ))


async def known_returns(db: Database, caller: Caller, asked: Sequence[ReturnAsked]) -> ReturnsKnown:
    """Which of these card returns are committed at the agent's site with these manifests.

    Raises NotAllowed for a person: agents ask this to compare it with the receipts they hold.
    """
    caller.must(Act.READ_CARD)
    assert caller.agent_id is not None, "only agents read cards"
    async with db.begin() as connection:
        return_ids = [card_return.id for card_return in asked]
        manifests = await committed_manifests(connection, caller.sites, return_ids)
        committed = await committed_of_agent(connection, caller.agent_id)
    known = [
        card_return.id
        for card_return in asked
        if manifests.get(card_return.id) == card_return.manifest_sha256
    ]
    return ReturnsKnown(known=list(dict.fromkeys(known)), committed=committed)


async def list_returns(
    db: Database, caller: Caller, site: str | None, before: UUID | None, limit: int
) -> list[RecordedReturn]:
    """Card returns of the caller's sites, the newest first, below the id `before`."""
    caller.must(Act.READ, site)
    codes = caller.sites if site is None else {site}
    async with db.begin() as connection:
        return [
            recorded_return(card_return)
            for card_return in await returns_page(connection, codes, before, limit)
        ]


async def list_files(
    db: Database, caller: Caller, return_id: UUID, after: int, limit: int, not_placed: bool
) -> list[ReturnFile]:
    """Files of a committed card return in manifest order, after the ordinal `after`."""
    async with db.begin() as connection:
        await own_return(connection, caller, return_id, Act.READ)
        rows = await files_page(connection, return_id, after, limit, not_placed)
    return [_return_file(row) for row in rows]


def _return_file(row: Row) -> ReturnFile:
    return ReturnFile(
        sighting_id=row["id"],
        ordinal=row["ordinal"],
        path=row["path"],
        path_bytes=bytes(row["path_bytes"]),
        digest=row["digest"],
        size=row["size"],
        kind=row["kind"],
        marks=row["marks"],
        clocks=clocks(row),
        inspection_id=row["inspection_id"],
        location=row["location_key"],
        claimed_location=row["claimed_key"],
        element=row["element"],
        rule=row["rule"],
    )


async def proving_receipt(connection: AsyncConnection, return_id: UUID) -> bytes | None:
    """The receipt by the key that was recorded first of those that are trusted; None: there is no receipt.

    Raises Unavailable while every receipt is by a key that is not trusted any more.
    """
    bodies = await receipt_bodies(connection, return_id)
    for key_id in await trusted_ids(connection):
        if key_id in bodies:
            return bodies[key_id]
    if bodies:
        raise Unavailable(
            f"The receipt of card return {return_id} was signed with a key that is not trusted any more.",
            consequence="What the card return brought is held as before. Do not wipe the card.",
            next_step="Have the operator finish `sightledger distrust-key`, which signs it again.",
        )
    return None


async def read_receipt(db: Database, caller: Caller, return_id: UUID) -> bytes:
    """The receipt, byte for byte as first issued; raises NotFound before the commit."""
    async with db.begin() as connection:
        await own_return(connection, caller, return_id, Act.READ)
        body = await proving_receipt(connection, return_id)
    if body is None:
        raise NotFound(
            f"Card return {return_id} is not committed: there is no receipt yet.",
            consequence="The card is not clear to wipe.",
            next_step="Let the agent finish sending the card.",
        )
    return body

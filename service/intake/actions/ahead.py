"""Bytes of a card that is still being read: they may come before the manifest part that names them."""

from __future__ import annotations

from uuid import UUID

from service.access.rules import Act, Caller
from service.contract.cards import FilesAhead, LargeLacking, PartAnswer
from service.database import Database
from service.errors import Conflict
from service.intake.actions import open_return, own_return
from service.intake.actions.parts import _lacking_in_store, _sizes_held, _split, _tickets
from service.intake.rules import sizes
from service.intake.store.large import await_files
from service.intake.store.naming import about_to_name
from service.objects import Objects
from service.settings import Settings


async def put_ahead(
    db: Database,
    objects: Objects,
    settings: Settings,
    caller: Caller,
    return_id: UUID,
    ahead: FilesAhead,
) -> PartAnswer:
    """Answer tickets for those of the files that the store lacks; asked again, for those it still lacks.

    What is asked for is remembered with the card return, so that no sweep takes the bytes meanwhile. Nothing
    is recorded of the files: that is for the manifest.
    """
    await open_return(db, caller, return_id, ahead.opening)
    wanted, _ = sizes(ahead.files)
    async with db.begin() as connection:
        row = await own_return(connection, caller, return_id, Act.READ_CARD, "share")
        if row["committed_at"] is not None:
            raise Conflict(
                "The card return is committed: nothing more belongs to it.",
                next_step="Open a new card return for files that were not in the first one.",
            )
        held = await _sizes_held(connection, wanted)
        await about_to_name(connection)
        await await_files(connection, return_id, wanted)
    small, big = _split({digest: size for digest, size in wanted.items() if digest not in held})
    small = await _lacking_in_store(objects, small)
    return PartAnswer(
        part=0,
        files=len(ahead.files),
        held=sum(file.sha256 not in small and file.sha256 not in big for file in ahead.files),
        lacking=await _tickets(objects, settings, [], small),
        large=[LargeLacking(sha256=digest, size=size) for digest, size in big.items()],
    )

"""The bytes of a card that is still being read may come before the manifest part that names them."""

from __future__ import annotations

from uuid import UUID

from service.access.rules import Caller
from service.contract.cards import FilesAhead, PartAnswer
from service.database import Database
from service.intake.actions.lacking import look, recorded
from service.intake.actions.parts import answer
from service.intake.actions.returns import ReturnDiffers, open_return, opened_return
from service.intake.rules.manifests import sizes
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
    """Answer tickets for the files that the site lacks; a repeated request gets tickets for what it still
    lacks.

    The card return remembers these files, so that no sweep deletes their bytes meanwhile. Nothing else is
    recorded of them: the manifest does that.
    """
    await open_return(db, caller, return_id, ahead.opening)
    wanted, _ = sizes(ahead.files)
    async with db.begin() as connection:
        card_return = await opened_return(connection, caller, return_id, "share")
        if card_return.committed_at is not None:
            raise ReturnDiffers(
                "The card return is committed: nothing more belongs to it.",
                next_step="Open a new card return for files that were not in the first one.",
            )
        known = await recorded(connection, card_return.site, wanted)
        await about_to_name(connection)
        await await_files(connection, return_id, wanted)
    seen = await look(objects, card_return.site, wanted, known)
    return await answer(objects, settings, card_return.site, 0, ahead.files, seen)

"""Parts of a manifest: what they name, what of it the site lacks, and tickets for that."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Caller
from service.contract.cards import (
    FileAhead,
    LargeLacking,
    ManifestFile,
    ManifestPart,
    PartAnswer,
    ReceiptFile,
)
from service.contract.failpoints import reach
from service.contract.problem import ProblemError
from service.database import Database
from service.errors import Invalid, NotFound
from service.intake.actions.lacking import look, recorded, split, tickets
from service.intake.actions.returns import ReturnDiffers, open_return, opened_return
from service.intake.rules.holding import Recorded, Seen, seen_in_record
from service.intake.rules.manifests import contradictions, sizes
from service.intake.store import large
from service.intake.store.card_return import CardReturn
from service.intake.store.naming import about_to_name
from service.intake.store.returns import insert_part, part_body, part_digest
from service.objects import Objects
from service.settings import Settings

ERRORS_SHOWN = 100

_PART = msgspec.json.Decoder(ManifestPart)


def decoded(body: bytes) -> list[ManifestFile]:
    """The files of a part as it was sent."""
    return _PART.decode(body).files


async def put_part(
    db: Database,
    objects: Objects,
    settings: Settings,
    caller: Caller,
    return_id: UUID,
    number: int,
    part: ManifestPart,
    body: bytes,
) -> PartAnswer:
    """Keep one part of the manifest as sent; answer tickets for the images that are not held.

    The return stays open when the part that opened it is refused: people see that a card waits.
    """
    if part.opening is not None:
        await open_return(db, caller, return_id, part.opening)
        reach("part.opened")
    wanted, torn = sizes(part.files)
    async with db.begin() as connection:
        card_return = await opened_return(connection, caller, return_id, "share")
        known = await recorded(connection, card_return.site, wanted)
        differing = {digest for digest, original in known.items() if original.size != wanted[digest]}
        _refuse_sizes(torn | differing)
        refuse_contradictions(part.files)
        seen = {digest: seen_in_record(known.get(digest)) for digest in wanted}
        fresh = await _keep(connection, card_return, number, part.files, body)
        if fresh:
            await _await_large(connection, return_id, wanted, seen)
    reach("part.kept")
    if not fresh:
        # An agent that repeats a part may have uploaded some of its files before it was cut off.
        return await _looked_at(db, objects, settings, card_return, number, part.files, known)
    return await answer(objects, settings, card_return.site, number, part.files, seen)


async def _keep(
    connection: AsyncConnection,
    card_return: CardReturn,
    number: int,
    files: Sequence[ManifestFile],
    body: bytes,
) -> bool:
    """Keep a part as it was sent; False when it was kept before. Raises ReturnDiffers for another."""
    fingerprint = hashlib.sha256(body).hexdigest()
    stored = await part_digest(connection, card_return.id, number)
    if stored is None:
        _refuse_committed(card_return, number)
        part = {"card_return_id": card_return.id, "part": number, "files": len(files)}
        await about_to_name(connection)
        if await insert_part(connection, {**part, "body": body, "body_sha256": fingerprint}):
            return True
        # Another request stored this part first, perhaps with another body.
        stored = await part_digest(connection, card_return.id, number)
    if stored != fingerprint:
        await _refuse_other(connection, card_return.id, number, files)
    return False


async def check_part(
    db: Database, objects: Objects, settings: Settings, caller: Caller, return_id: UUID, number: int
) -> PartAnswer:
    """Look in the store for every file of a part, recorded ones as well, and answer what is lacking."""
    async with db.begin() as connection:
        card_return = await opened_return(connection, caller, return_id)
        part = await part_body(connection, return_id, number)
        if part is None:
            raise NotFound(
                f"Part {number} of card return {return_id} was not sent.",
                next_step="Send the part, then have it checked.",
            )
        files = decoded(part)
        known = await recorded(connection, card_return.site, sizes(files)[0])
    return await _looked_at(db, objects, settings, card_return, number, files, known)


async def _looked_at(
    db: Database,
    objects: Objects,
    settings: Settings,
    card_return: CardReturn,
    number: int,
    files: Sequence[ManifestFile],
    known: Mapping[str, Recorded],
) -> PartAnswer:
    wanted, _ = sizes(files)
    seen = await look(objects, card_return.site, wanted, known)
    async with db.begin() as connection:
        await _await_large(connection, card_return.id, wanted, seen)
    return await answer(objects, settings, card_return.site, number, files, seen)


async def _await_large(
    connection: AsyncConnection, return_id: UUID, wanted: Mapping[str, int], seen: Mapping[str, Seen]
) -> None:
    """The return waits from now on for its large files that are not held."""
    big = {digest: size for digest, size in split(wanted)[1].items() if seen[digest] != "held"}
    await large.await_files(connection, return_id, big)


async def answer(
    objects: Objects,
    settings: Settings,
    site: str,
    number: int,
    files: Sequence[ManifestFile | FileAhead],
    seen: Mapping[str, Seen],
) -> PartAnswer:
    """Tickets for what the site was seen to lack of these files."""
    small, big = split(sizes(files)[0])
    # A small file that came in again needs no second upload; custody reads it back before the commit.
    lacking = {digest: size for digest, size in small.items() if seen[digest] in ("absent", "spoilt")}
    waiting = [
        LargeLacking(sha256=digest, size=size) for digest, size in big.items() if seen[digest] != "held"
    ]
    spoilt = [digest for digest in lacking if seen[digest] == "spoilt"]
    sent = lacking.keys() | {large_file.sha256 for large_file in waiting}
    return PartAnswer(
        part=number,
        files=len(files),
        held=sum(file.sha256 not in sent for file in files),
        lacking=await tickets(objects, settings, site, files, lacking, spoilt),
        large=waiting,
    )


async def _refuse_other(
    connection: AsyncConnection, return_id: UUID, number: int, files: Sequence[ManifestFile]
) -> None:
    """Refuse a part with other files than before. The bytes alone may differ, when only one of the two
    brought the opening."""
    body = await part_body(connection, return_id, number)
    assert body is not None, "parts are never deleted"
    if decoded(body) != files:
        raise ReturnDiffers(
            f"Part {number} of this card return was sent with other content before.",
            next_step="Read the card again and open a new card return with a new id.",
        )


def _refuse_committed(card_return: CardReturn, number: int) -> None:
    if card_return.committed_at is not None:
        raise ReturnDiffers(
            f"The card return is committed; part {number} was not part of it.",
            next_step="Open a new card return for files that were not in the first one.",
        )


def _refuse_sizes(digests: Iterable[str]) -> None:
    faults = sorted(digests)
    if faults:
        raise Invalid(
            f"The manifest gives {len(faults)} digests a size their bytes do not have.",
            next_step="Read the files again: the manifest does not describe the card.",
            errors=[
                ProblemError(detail="size and digest do not belong together", path=d)
                for d in faults[:ERRORS_SHOWN]
            ],
        )


def refuse_contradictions(files: Iterable[ManifestFile | ReceiptFile]) -> None:
    """Raise Invalid for a manifest that no card can have: its receipt would say two things of one name."""
    faults = contradictions(files)
    if faults:
        path, why = faults[0]
        raise Invalid(
            f"The manifest contradicts itself: {path!r} {why}.",
            consequence="There is no receipt for this card: do not wipe it.",
            next_step="Read the card again and open a new card return with a new id.",
            errors=[ProblemError(detail=why, path=path) for path, why in faults[:ERRORS_SHOWN]],
        )

"""Files too large for one PUT: an upload by parts, shared by all of a site who send the same file, then
verified. What other sites send or hold changes nothing.

The store is asked between transactions, never inside one. Whatever is cut off between two steps is found by
the next request for the file: an upload that no row names is ended, one that the store has forgotten or has
put together already is taken for that, a verification that was lost is ordered again.

An original that custody found unsound comes again in the same way, over what the store has; only what came in
since counts for it, and custody reads it once more before it is called sound.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal
from uuid import UUID

import procrastinate
import structlog
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Caller
from service.contract.cards import LARGE_FROM, LargeAnswer, LargeParts, part_size
from service.contract.failpoints import reach
from service.database import Database, Row
from service.errors import Conflict, Invalid, Unavailable
from service.intake.actions.lacking import READ_BACK_TASK
from service.intake.actions.returns import opened_return
from service.intake.store import large as store
from service.intake.store.seen import images_seen
from service.jobs import READING_BACK, defer, under_way
from service.objects import Objects, Original, multipart
from service.objects.multipart import PartSpan, ReadBack, spans
from service.settings import Settings

TICKETS_AT_ONCE = 100
# An upload takes three steps (begin, assemble, order); others may take the same steps at the same time.
STEPS = 6
VERIFY_TASK = "intake:verify_large"

tasks = procrastinate.Blueprint()
log = structlog.get_logger(__name__)


class LargeDiffers(Invalid):
    slug, title = "objects-differ", "The parts of the file are not the file"


@dataclass(frozen=True, slots=True)
class LargeFile:
    """A large file as a sender of this site describes it."""

    original: Original
    size: int
    parts: list[PartSpan]

    @property
    def row(self) -> dict[str, Any]:
        parts = _packed(part.sha256 for part in self.parts)
        return {**self.original._asdict(), "size": self.size, "parts": parts}

    def is_that_of(self, known: Row) -> bool:
        row = self.row
        return (known["size"], bytes(known["parts"])) == (row["size"], row["parts"])


def _packed(digests: Iterable[str]) -> bytes:
    return b"".join(map(bytes.fromhex, digests))


def described(original: Original, description: LargeParts) -> LargeFile:
    """The file with its parts cut; raises Invalid when these are not the parts of such a file."""
    each = part_size(description.size)
    number = -(-description.size // each)
    if description.size <= LARGE_FROM or number != len(description.parts):
        raise Invalid(
            f"A file of {description.size} bytes goes in one PUT."
            if description.size <= LARGE_FROM
            else f"A file of {description.size} bytes has {number} parts of {each} bytes, "
            f"not {len(description.parts)}.",
            next_step="Cut the file as the description of the API says and send all digests in order.",
        )
    return LargeFile(original, description.size, list(spans(description.size, each, description.parts)))


async def put_large(
    db: Database,
    objects: Objects,
    settings: Settings,
    caller: Caller,
    return_id: UUID,
    digest: str,
    description: LargeParts,
) -> LargeAnswer:
    """Begin, carry on or look after the upload of a large file of a card return."""
    for _ in range(STEPS):
        file, known, since = await _known(db, caller, return_id, digest, description)
        answer = await _step(db, objects, settings, file, known, since)
        if answer is not None:
            return answer
    raise Unavailable(
        f"Others of the site are at work on {digest}.",
        consequence="What was sent stays.",
        next_step="Ask again in a moment.",
    )


async def _known(
    db: Database, caller: Caller, return_id: UUID, digest: str, description: LargeParts
) -> tuple[LargeFile, Row | None, datetime | None]:
    """The file at the site of the card return, once that is the caller's; its row, noted as asked for; and
    the time by the store's clock since when an object must have come in to count, because an image of the
    site that is unsound has to come again."""
    async with db.begin() as connection:
        site = (await opened_return(connection, caller, return_id)).site
        file = described(Original(site, digest), description)
        known = await store.large_file(connection, file.original)
        size = await store.awaited_size(connection, return_id, digest)
        image = (await images_seen(connection, [digest], {site})).get(digest)
        since = None if image is None else image["unsound_at"]
        if image is not None and since is None:
            known = image
        if known is not None and known["verified_at"] is not None:
            size = known["size"]
        elif known is not None and known["assembled_at"] is None:
            _refuse_other(file, known)
        _refuse_unasked(return_id, file, size)
        if known is not None and known is not image and file.is_that_of(known):
            await store.note_asked(connection, file.original)
    return file, known, since


def _refuse_unasked(return_id: UUID, file: LargeFile, size: int | None) -> None:
    if size is None:
        raise Conflict(
            f"Card return {return_id} waits for no file {file.original.digest}.",
            next_step="Send the part of the manifest that names the file first.",
        )
    if size != file.size:
        raise Invalid(
            f"File {file.original.digest} has {size} bytes by the record, not {file.size}.",
            next_step="Read the file again: its description does not describe it.",
        )


def _refuse_other(file: LargeFile, known: Row) -> None:
    """Refuse what contradicts what another sender of the site, or this one, said of the same digest."""
    same, digest = file.is_that_of(known), file.original.digest
    if same and known["refused_at"] is not None:
        raise LargeDiffers(
            f"All parts of {digest} came in as they were described, but together they are another file.",
            consequence="They were deleted from the store; nothing of this file is held. Keep the card.",
            next_step="Read the file again from the card and send it under the digest it has.",
        )
    if not same and known["refused_at"] is None and not known["left_alone"]:
        raise Conflict(
            f"Another sender of the site describes other parts for {digest}; not both can be that file.",
            consequence="Nothing was changed. Keep the card.",
            next_step="Read the file again. If it still has this digest, ask again later: an upload that "
            "proves false, or that nobody carries on for a day, gives way.",
        )


async def _step(
    db: Database,
    objects: Objects,
    settings: Settings,
    file: LargeFile,
    known: Row | None,
    since: datetime | None,
) -> LargeAnswer | None:
    """The answer from what is known; None when a step was taken first, so that the caller must look again."""
    if known is not None and known["verified_at"] is not None:
        return await _answer(objects, settings, file, "verified")
    if known is not None and known["assembled_at"] is not None:
        await _order_verification(db, file.original)
        return await _answer(objects, settings, file, "verifying")
    if known is None or known["upload_id"] is None or not file.is_that_of(known):
        await _begin(db, objects, file, known["upload_id"] if known is not None else None, since)
        return None
    upload_id: str = known["upload_id"]
    tags = await multipart.parts_held(objects, file.original, upload_id, file.parts)
    if tags is not None and len(tags) < len(file.parts):
        return await _answer(objects, settings, file, "receiving", upload_id, tags)
    if tags is None:
        assembled = await _came_in(objects, file.original, since)
    else:
        over = since is not None
        assembled = await multipart.assemble(objects, file.original, upload_id, file.parts, tags, over=over)
        reach("large.assembled")
    async with db.begin() as connection:
        if assembled:
            await store.note_assembled(connection, file.original, upload_id)
        else:
            log.warning("an upload was lost and begins again", key=file.original.key, listed=tags is not None)
            await store.forget_upload(connection, file.original, upload_id)
    return None


async def _came_in(objects: Objects, original: Original, since: datetime | None) -> bool:
    """Whether the store has an object of that name, and has had it only since then."""
    stat = await objects.stat(original.key)
    return stat is not None and (since is None or (stat.modified is not None and stat.modified >= since))


async def _begin(
    db: Database, objects: Objects, file: LargeFile, instead_of: str | None, since: datetime | None
) -> None:
    """Begin an upload, unless the store has an object of that name: then that is to be verified."""
    if await _came_in(objects, file.original, since):
        async with db.begin() as connection:
            row = file.row | {"upload_id": None}
            await store.note_upload(connection, row, instead_of=instead_of, assembled=True)
        return
    upload_id = await multipart.begin(objects, file.original)
    reach("large.begun")
    async with db.begin() as connection:
        row = file.row | {"upload_id": upload_id}
        ours = await store.note_upload(connection, row, instead_of=instead_of)
    if ours:
        await multipart.give_up_others(objects, file.original, upload_id)
    else:
        await multipart.give_up(objects, file.original, upload_id)


async def _order_verification(db: Database, original: Original) -> None:
    """Order the reading back unless an order stands that a living worker has or will have."""
    async with db.begin() as connection:
        known = await store.large_file(connection, original, lock=True)
        if known is None or known["assembled_at"] is None or known["verified_at"] is not None:
            return
        once = f"large:{original.site}:{original.digest}"
        if not await under_way(connection, once):
            await defer(connection, VERIFY_TASK, queue=READING_BACK, once=once, **original._asdict())


async def _answer(
    objects: Objects,
    settings: Settings,
    file: LargeFile,
    state: Literal["receiving", "verifying", "verified"],
    upload_id: str = "",
    tags: Mapping[int, str] | None = None,
) -> LargeAnswer:
    expires_at = await objects.now() + timedelta(seconds=settings.ticket_seconds)
    lacking = [part for part in file.parts if part.number not in tags] if tags is not None else []
    seconds = settings.ticket_seconds
    return LargeAnswer(
        sha256=file.original.digest,
        state=state,
        parts_held=len(file.parts) - len(lacking),
        tickets=multipart.part_tickets(objects, file.original, upload_id, lacking[:TICKETS_AT_ONCE], seconds),
        expires_at=expires_at,
    )


async def verify_large(db: Database, objects: Objects, original: Original) -> str:
    """Read an assembled file back whole and say what it proved to be: `verified`, `false`, `changed`, `lost`.

    `false`: the parts are as described and are not the file; only other parts are taken from now on.
    `changed`: the store gave other bytes than were sent; the file is asked for again.
    """
    async with db.begin() as connection:
        known = await store.large_file(connection, original)
    if known is None or known["assembled_at"] is None or known["verified_at"] is not None:
        return "verified" if known is not None and known["verified_at"] is not None else "lost"
    got = await multipart.read_back(objects, original, part_size(known["size"]))
    outcome = _judged(known, got)
    if outcome == "verified":
        reach("large.verified")
        async with db.begin() as connection:
            await store.note_verified(connection, original)
            image = await _image_of_site(connection, original)
            if image is not None and image["unsound_at"] is not None:
                await defer(connection, READ_BACK_TASK, queue=READING_BACK, digests=[original.digest])
        return outcome
    log.error(
        "a large file is not what its digest says" if got is not None else "a large file is gone",
        key=original.key,
        outcome=outcome,
        size=known["size"],
        size_found=got.size if got is not None else None,
        sha256_found=got.sha256 if got is not None else None,
    )
    async with db.begin() as connection:
        named = await _image_of_site(connection, original) is not None
    if got is not None and got.sha256 != original.digest and not named:
        await multipart.remove_false(objects, original)
    async with db.begin() as connection:
        await store.forget_upload(connection, original, known["upload_id"], refused=outcome == "false")
    return outcome


async def _image_of_site(connection: AsyncConnection, original: Original) -> Row | None:
    """The image when its site has committed it; what lies under the site's name is then named."""
    return (await images_seen(connection, [original.digest], {original.site})).get(original.digest)


def _judged(known: Row, got: ReadBack | None) -> str:
    if got is None:
        return "lost"
    if got.sha256 == known["digest"]:
        # The digest decides which bytes these are; a wrong size does not make another file of them.
        return "verified" if got.size == known["size"] else "false"
    as_described = got.size == known["size"] and _packed(got.parts) == bytes(known["parts"])
    return "false" if as_described else "changed"


_AGAIN = procrastinate.RetryStrategy(max_attempts=8, exponential_wait=3)


@tasks.task(name="verify_large", queue=READING_BACK, pass_context=True, retry=_AGAIN)
async def _verify_large(context: procrastinate.JobContext, site: str, digest: str) -> None:
    """Runs in the worker, whose context holds `db` and `objects`; a store that is down is tried again."""
    around = context.additional_context
    await verify_large(around["db"], around["objects"], Original(site, digest))

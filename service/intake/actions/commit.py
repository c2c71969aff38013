"""The commit of a card return: every object verified, then all rows, then the receipt (I5)."""

from __future__ import annotations

from collections.abc import AsyncIterator, Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.actions.keys import must_be_trusted
from service.access.rules import Caller
from service.campaigns.actions.settling import changing
from service.campaigns.actions.stating import record_statements
from service.campaigns.rules import Inspection
from service.contract.cards import LARGE_FROM, CardReturnCommit, ManifestFile, ReceiptBody, ReceiptFile
from service.contract.failpoints import reach
from service.contract.problem import ProblemError
from service.database import Database, Row, server_now, storable_json
from service.errors import Conflict, Invalid
from service.images.actions import NotYetVerified, order_thumbnails
from service.intake.actions.lacking import look, order_reading, recorded
from service.intake.actions.parts import ERRORS_SHOWN, decoded, refuse_contradictions
from service.intake.actions.recording import Recorder, gather_images, new_at_site
from service.intake.actions.refused import keep_refused
from service.intake.actions.returns import ReturnDiffers, opened_return, proving_receipt
from service.intake.rules.holding import Recorded
from service.intake.rules.manifests import extent_remarks, manifest_faults, placing_remarks, sizes
from service.intake.store.card_return import CardReturn
from service.intake.store.returns import (
    card_by_id,
    close_return,
    insert_receipt,
    part_body,
    part_numbers,
    revision_label,
)
from service.objects import Objects
from service.signing import Signer

# Files written with one statement per table; parts are small, so that uploads begin soon.
FILES_AT_ONCE = 1000
# Files kept decoded until they are written, some 4 kB each: a card has hundreds, seldom thousands.
FILES_KEPT = 4000


class ObjectsMissing(Conflict):
    slug, title = "objects-missing", "The store does not hold every file of the manifest"


@dataclass(frozen=True, slots=True)
class Manifest:
    """A whole manifest, without what only the tables keep: a card may have 50,000 files, and Exif is long."""

    return_id: UUID
    parts: list[int]
    files: list[ReceiptFile]
    claimed: set[UUID]
    #: The files of the first parts, at most FILES_KEPT.
    kept: dict[int, list[ManifestFile]]

    async def read(self, connection: AsyncConnection) -> AsyncIterator[list[ManifestFile]]:
        """The files of one part after the other, as they were sent."""
        for part in self.parts:
            files = self.kept.get(part) or await self._decoded(connection, part)
            yield files

    async def _decoded(self, connection: AsyncConnection, part: int) -> list[ManifestFile]:
        body = await part_body(connection, self.return_id, part)
        assert body is not None, "parts are never deleted"
        files = decoded(body)
        if len(files) + sum(map(len, self.kept.values())) <= FILES_KEPT:
            self.kept[part] = files
        return files

    async def read_by_many(self, connection: AsyncConnection) -> AsyncIterator[list[ManifestFile]]:
        """The same files in the same order, about FILES_AT_ONCE at a time."""
        gathered: list[ManifestFile] = []
        async for files in self.read(connection):
            gathered += files
            if len(gathered) >= FILES_AT_ONCE:
                yield gathered
                gathered = []
        if gathered:
            yield gathered


async def commit_return(
    db: Database, objects: Objects, signer: Signer, caller: Caller, return_id: UUID, commit: CardReturnCommit
) -> bytes:
    """Verify, write and sign a card return; the receipt (a flattened JWS as JSON).

    The store is asked between two transactions, never inside one, and for every object: a receipt is signed
    over what it was seen to hold a moment ago, whoever saw what before. That stays true, because nobody here
    overwrites an original that is sound, or deletes one that an open card return names. A repeated commit
    answers the first receipt's bytes.
    """
    async with db.begin() as connection:
        card_return = await opened_return(connection, caller, return_id)
        receipt = await _earlier_receipt(connection, card_return, commit)
        if receipt is not None:
            return receipt
        _refuse_false_end(commit)
        manifest = await _manifest(connection, return_id, commit)
        wanted, _ = sizes(manifest.files)
        known = await recorded(connection, card_return.site, wanted)
    await _verify(db, objects, card_return, wanted, known)
    reach("commit.verified")
    async with db.begin() as connection:
        card_return = await opened_return(connection, caller, return_id, "update")
        receipt = await _earlier_receipt(connection, card_return, commit)
        if receipt is not None:
            return receipt
        await must_be_trusted(connection, signer)
        images = {digest for digest, original in known.items() if original.image}
        receipt = await _write(connection, signer, caller, card_return, commit, manifest, images)
        reach("commit.written")
    reach("commit.done")
    return receipt


async def _earlier_receipt(
    connection: AsyncConnection, card_return: CardReturn, commit: CardReturnCommit
) -> bytes | None:
    """The receipt of an earlier commit with the same content; None when the return is still open."""
    if card_return.committed_at is None:
        return None
    same = (
        card_return.manifest_sha256 == commit.manifest_sha256
        and card_return.complete == commit.complete
        and all(getattr(card_return, name) == value for name, value in _extent_of(commit).items())
        and card_return.unread == storable_json(msgspec.to_builtins(commit.unread))
        and set(card_return.statements) == {statement.id for statement in commit.statements}
    )
    if not same:
        raise ReturnDiffers(
            f"Card return {card_return.id} was committed with other content.",
            next_step="Open a new card return for what was not in the first one.",
        )
    return await proving_receipt(connection, card_return.id)


def _extent_of(commit: CardReturnCommit) -> dict[str, Any]:
    """How much of the card was read, as the card return keeps it."""
    values = {name: getattr(commit, name) for name in ("extent", "extent_note", "confirmed_by", "aside")}
    made: dict[str, Any] = storable_json(values)
    return made


def _refuse_false_end(commit: CardReturnCommit) -> None:
    if commit.complete and commit.unread:
        raise Invalid(
            f"The commit calls the card read to its end and names {len(commit.unread)} files not read.",
            consequence="There is no receipt for this card: do not wipe it.",
            next_step="Commit with `complete` false, or read the card again.",
        )


async def _manifest(connection: AsyncConnection, return_id: UUID, commit: CardReturnCommit) -> Manifest:
    manifest = Manifest(return_id, await part_numbers(connection, return_id), [], set(), {})
    async for sent in manifest.read(connection):
        manifest.files.extend(
            ReceiptFile(path=file.path, sha256=file.sha256, size=file.size, path_bytes=file.path_bytes)
            for file in sent
        )
        manifest.claimed.update(file.placement.inspection_id for file in sent if file.placement is not None)
    files = manifest.files
    faults = manifest_faults(files, len(manifest.parts), commit)
    if faults:
        raise Conflict(
            f"The manifest is not whole: {faults[0]}.",
            next_step="Send every part again, then commit again.",
        )
    _, torn = sizes(files)
    if torn:
        raise Invalid(
            f"The manifest gives {len(torn)} digests more than one size.",
            next_step="Read the card again and open a new card return.",
            errors=[ProblemError(detail="two sizes", path=d) for d in sorted(torn)[:ERRORS_SHOWN]],
        )
    refuse_contradictions(files)
    return manifest


async def _verify(
    db: Database,
    objects: Objects,
    card_return: CardReturn,
    wanted: Mapping[str, int],
    known: Mapping[str, Recorded],
) -> None:
    """Raise unless the store is seen, now, to hold all of the manifest as it counts at the site: sound and
    read back.

    Files that must be read back are looked at first, because a card that waits for them asks often.
    """
    doubtful = {d: size for d, size in wanted.items() if d not in known and size > LARGE_FROM}
    doubtful |= {d: wanted[d] for d, original in known.items() if original.unsound_at is not None}
    site = card_return.site
    seen = await look(objects, site, doubtful, known)
    if not doubtful or any(state != "unread" for state in seen.values()):
        seen |= await look(objects, site, {d: size for d, size in wanted.items() if d not in doubtful}, known)
    lacking = sorted(digest for digest, state in seen.items() if state in ("absent", "spoilt"))
    unread = sorted(digest for digest, state in seen.items() if state == "unread")
    # Custody reads every recorded original that looks changed, alerts people, and clears sound ones.
    await order_reading(db, card_return.id, (d for d in (*lacking, *unread) if d in known and known[d].image))
    if lacking:
        raise ObjectsMissing(
            f"{len(lacking)} files of the manifest are not in the store, or not as they were read.",
            consequence="Nothing was recorded and there is no receipt. Do not wipe the card.",
            next_step="Have each part checked, upload to the new tickets, then commit again.",
            errors=[ProblemError(detail="not in the store", path=d) for d in lacking[:ERRORS_SHOWN]],
        )
    if unread:
        raise NotYetVerified(
            f"{len(unread)} files of the manifest came in and are not yet read back.",
            consequence="Nothing was recorded and there is no receipt. Do not wipe the card.",
            next_step="Wait until the service has read them back, then commit again.",
            errors=[ProblemError(detail="not yet verified", path=d) for d in unread[:ERRORS_SHOWN]],
        )


async def _write(
    connection: AsyncConnection,
    signer: Signer,
    caller: Caller,
    card_return: CardReturn,
    commit: CardReturnCommit,
    manifest: Manifest,
    images: Collection[str],
) -> bytes:
    card = await card_by_id(connection, card_return.card_id) if card_return.card_id else None
    own = card_return.inspection_id or (card["inspection_id"] if card else None)
    stated = {statement.inspection_id for statement in commit.statements}
    concerned = manifest.claimed | stated | ({own} if own else set())
    now = server_now()
    all_sizes, _ = sizes(manifest.files)
    async with changing(connection, concerned) as inspections:
        brought = await gather_images(connection, card_return.site, manifest.read_by_many(connection), now)
        new = await new_at_site(connection, card_return.site, all_sizes.keys() - images, brought)
        recorder = Recorder(connection, caller, card_return, inspections, own, now)
        async for files in manifest.read_by_many(connection):
            await recorder.record(files)
        turned = await record_statements(connection, caller, commit.statements, card_return.id, inspections)
    await keep_refused(connection, caller, card_return.id, turned, now)
    remarks = await _opening_remarks(connection, card_return, card, inspections.get(own) if own else None)
    closing = {
        "committed_at": now,
        "finished_at": commit.finished_at,
        "manifest_sha256": commit.manifest_sha256,
        "complete": commit.complete,
        **_extent_of(commit),
        "statements": sorted({statement.id for statement in commit.statements}),
        "files": len(manifest.files),
        "files_new": len(new),
        "bytes": sum(file.size for file in manifest.files),
        "bytes_new": sum(size for digest, size in all_sizes.items() if digest in new),
        "not_placed": recorder.not_placed,
        "unread": storable_json(msgspec.to_builtins(commit.unread)),
        "remarks": extent_remarks(commit) + remarks + placing_remarks(recorder.remarks),
    }
    await close_return(connection, card_return.id, closing)
    await order_thumbnails(connection, sorted(recorder.thumbnails))
    return await _sign(connection, signer, card_return, commit, manifest.files, now)


async def _opening_remarks(
    connection: AsyncConnection, card_return: CardReturn, card: Row | None, inspection: Inspection | None
) -> list[str]:
    """What a person should know of a card that was accepted although not all of it fits."""
    opening = card_return.opening
    remarks = []
    if card_return.card_id is not None and card is None:
        remarks.append("The card's marker is not known here: nobody recorded that this card was prepared.")
    if opening["inspectionId"] is not None and card_return.inspection_id is None:
        remarks.append(f"Inspection {opening['inspectionId']}, named by the card, is not known here.")
    if card and card_return.inspection_id not in (None, card["inspection_id"]):
        remarks.append("The card names another inspection than the one it was prepared for.")
    if opening["revisionId"] is not None and card_return.revision_id is None:
        remarks.append(f"Plan revision {opening['revisionId']}, named by the card, is not known here.")
    under = card_return.revision_id or (card["revision_id"] if card else None)
    if inspection is not None and under not in (None, inspection.revision_id):
        was = await revision_label(connection, under)
        now = await revision_label(connection, inspection.revision_id)
        remarks.append(
            f"The card was prepared under revision {was}; the inspection is bound to revision {now}."
        )
    return remarks


async def _sign(
    connection: AsyncConnection,
    signer: Signer,
    card_return: CardReturn,
    commit: CardReturnCommit,
    files: list[ReceiptFile],
    now: datetime,
) -> bytes:
    body = ReceiptBody(
        format="sightledger-receipt/1",
        card_return_id=card_return.id,
        card_id=card_return.card_id,
        site=card_return.site,
        agent=card_return.agent,
        issued_at=now,
        manifest_sha256=commit.manifest_sha256,
        complete=commit.complete,
        files=files,
        unread=commit.unread,
        extent=commit.extent,
        confirmed_by=commit.confirmed_by,
        aside=commit.aside,
    )
    receipt = msgspec.json.encode(signer.sign(msgspec.json.encode(body)))
    await insert_receipt(
        connection,
        {"card_return_id": card_return.id, "key_id": signer.key_id, "body": receipt, "issued_at": now},
    )
    return receipt

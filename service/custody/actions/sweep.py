"""The sweep: objects under originals/ that nothing names, and multipart uploads that were forgotten.

After a restore of an older backup the orphans are the pictures that the backup lacks. So they are listed,
and deleted only when somebody says so. A digest that is named is kept under the names of all sites: the copy
of a second site has a receipt, and it may be the only sound one when nobody has noticed yet.

How a deletion cannot meet a commit: an agent learns that it need not send an original only after a
manifest part that names it was recorded, and a part is recorded under the shared side of a lock whose other
side the sweep holds from its last look at the names until the deletion is answered. Either the part comes
first: then the original is named, and stays. Or the deletion does: then the agent's PUT stores it anew. A
deletion that the store carries out late, after the answer was given up, names a version by its id, and the
bytes that came in meanwhile are another version.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import timedelta

import structlog

from service.custody.actions.runs import add_run
from service.custody.rules import orphans
from service.custody.store import naming
from service.database import Database
from service.errors import Conflict
from service.objects.holding import Holding, Listed, Upload

# This number is small, because whoever records a manifest part waits while the batch is deleted.
DELETED_AT_ONCE = 10

_log = structlog.get_logger(__name__)


@dataclass(slots=True)
class Swept:
    """What a sweep found, and of that what it deleted. `strange`: names under originals/ that are not ours,
    never touched; `kept`: named or locked after all when they were to be deleted."""

    listed: int = 0
    strange: int = 0
    orphans: list[Listed] = field(default_factory=list)
    uploads: list[Upload] = field(default_factory=list)
    deleted: list[Listed] = field(default_factory=list)
    kept: list[Listed] = field(default_factory=list)
    aborted: list[Upload] = field(default_factory=list)

    def counts(self) -> dict[str, int]:
        return {
            "listed": self.listed,
            "strange": self.strange,
            "orphans": len(self.orphans),
            "orphan_bytes": sum(original.size for original in self.orphans),
            "uploads": len(self.uploads),
            "deleted": len(self.deleted),
            "kept": len(self.kept),
            "aborted": len(self.aborted),
        }


async def sweep(db: Database, holding: Holding, days: int, *, delete: bool = False) -> Swept:
    """List what nothing names and what is older than `days` by the store's clock; `delete` deletes it.

    Raises Conflict for `delete` where the bucket keeps no versions.
    """
    if delete and not await holding.keeps_versions():
        raise Conflict(
            "The bucket keeps no versions, so nothing is deleted: a deletion that the store carries out late "
            "could take bytes that came in afterwards.",
            next_step="Turn on versions of the bucket, or delete what the sweep lists by hand.",
        )
    started_at, age, swept = await holding.clock(), timedelta(days=days), Swept()
    await _list(db, holding, age, swept)
    if delete:
        for start in range(0, len(swept.orphans), DELETED_AT_ONCE):
            await _delete(db, holding, swept, swept.orphans[start : start + DELETED_AT_ONCE])
        for upload in swept.uploads:
            await holding.abort(upload)
            swept.aborted.append(upload)
    if swept.orphans:
        _log.warning("originals that nothing names", **swept.counts())
    async with db.begin() as connection:
        await add_run(connection, "sweep", started_at, await holding.clock(), swept.counts())
    return swept


async def _list(db: Database, holding: Holding, age: timedelta, swept: Swept) -> None:
    found: list[Listed] = []
    async for page, at in holding.originals():
        swept.listed += len(page)
        swept.strange += sum(entry.digest is None for entry in page)
        async with db.begin() as connection:
            recorded = await naming.held_among(connection, _digests(page))
        found += orphans(page, recorded, at, age)
    uploads, at = await holding.uploads()
    async with db.begin() as connection:
        named = await naming.named_among(connection, _digests(found))
        wanted = await naming.uploads_named(connection)
    swept.orphans = [original for original in found if original.digest not in named]
    swept.uploads = [
        upload for upload in uploads if upload.upload_id not in wanted and at - upload.begun >= age
    ]


async def _delete(db: Database, holding: Holding, swept: Swept, batch: Sequence[Listed]) -> None:
    async with db.begin() as connection:
        await naming.hold_off_naming(connection)
        named = await naming.named_among(connection, _digests(batch))
        for entry in batch:
            assert entry.original is not None
            if entry.digest in named or not await holding.delete(entry.original):
                swept.kept.append(entry)
            else:
                swept.deleted.append(entry)
                _log.warning("an original that nothing named was deleted", key=entry.key, size=entry.size)


def _digests(found: Sequence[Listed]) -> list[str]:
    return [entry.digest for entry in found if entry.digest is not None]

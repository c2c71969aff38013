"""SQL of originals: one row per digest, what its bytes are, where they lie, since when they are held."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from uuid import UUID

import msgspec

from agent.clock import now
from agent.outbox.journalled import JournalledDatabase
from agent.pictures import Facts

# In place of facts: these bytes were found in the spool and nothing says what they are.
NOT_JUDGED = b""
DIGESTS_AT_ONCE = 500
AHEAD_AT_ONCE = 100


class Original(msgspec.Struct, frozen=True):
    """Bytes that this workstation has met. `spooled_at`: they lie in the spool since then; `held_at`: the
    service holds them since then, by its clock; `ahead_at`: the store was seen then to have them."""

    facts_wire: bytes
    spooled_at: str | None
    held_at: str | None
    ahead_at: str | None

    @property
    def facts(self) -> Facts | None:
        return facts_of(self.facts_wire)


def facts_of(wire: bytes | None) -> Facts | None:
    """None also where the bytes were found in the spool and nothing says what they are."""
    return msgspec.json.decode(wire, type=Facts) if wire else None


class Originals:
    """The table `originals`. What is held or wanted of a return is found by its files, so some statements
    join the tables of files and card returns."""

    def __init__(self, database: JournalledDatabase) -> None:
        self._database, self._sql = database, database.sql

    def find(self, digest: str) -> Original | None:
        row = self._sql.execute(
            "SELECT facts, spooled_at, held_at, ahead_at FROM originals WHERE sha256=?", (digest,)
        ).fetchone()
        return None if row is None else Original(*row)

    def size_is_known(self, size: int) -> bool:
        found = self._sql.execute("SELECT 1 FROM originals WHERE size=? LIMIT 1", (size,))
        return found.fetchone() is not None

    def note_spooled(self, digest: str, size: int, facts: Facts) -> None:
        self._sql.execute(
            "INSERT INTO originals(sha256, size, facts, spooled_at) VALUES(?,?,?,?)"
            " ON CONFLICT(sha256) DO UPDATE SET spooled_at=excluded.spooled_at, facts=excluded.facts",
            (digest, size, msgspec.json.encode(facts), now().isoformat()),
        )

    def note_facts(self, digest: str, facts: Facts) -> None:
        self._sql.execute("UPDATE originals SET facts=? WHERE sha256=?", (msgspec.json.encode(facts), digest))

    def note_found(self, found: Iterable[tuple[str, int]]) -> None:
        """Digest and size of sound bytes that lie in the spool; of what a row says already, nothing is
        changed."""
        spooled_at = now().isoformat()
        with self._database.transaction():
            self._sql.executemany(
                "INSERT INTO originals(sha256, size, facts, spooled_at) VALUES(?,?,?,?)"
                " ON CONFLICT(sha256) DO UPDATE SET spooled_at=coalesce(spooled_at, excluded.spooled_at)",
                [(digest, size, NOT_JUDGED, spooled_at) for digest, size in found],
            )

    def unexplained(self, after: str = "") -> list[str]:
        """The next digests found in the spool that no journal names and no answer of the service explains."""
        rows = self._sql.execute(
            "SELECT sha256 FROM originals WHERE facts=x'' AND held_at IS NULL AND sha256>?"
            " ORDER BY sha256 LIMIT ?",
            (after, DIGESTS_AT_ONCE),
        )
        return [row["sha256"] for row in rows]

    def note_held(self, digests: Iterable[str], at: datetime) -> None:
        """The service holds these since `at` at the latest, by its own clock."""
        noted_at = now().isoformat()
        with self._database.transaction():
            self._sql.executemany(
                "UPDATE originals SET held_at=coalesce(held_at,?), held_noted=coalesce(held_noted,?)"
                " WHERE sha256=?",
                ((at.isoformat(), noted_at, digest) for digest in digests),
            )

    def note_return_held(self, return_id: UUID, at: datetime, noted_at: datetime) -> None:
        """The service holds each file of the return since `at`, by its own clock; a part of `Outbox.hold`."""
        self._sql.execute(
            "UPDATE originals SET held_at=coalesce(held_at,?), held_noted=coalesce(held_noted,?)"
            " WHERE sha256 IN (SELECT sha256 FROM files WHERE return_id=?)",
            (at.isoformat(), noted_at.isoformat(), str(return_id)),
        )

    def take_back(self, return_id: UUID) -> None:
        """The files of a return are held only where another return that is held names them.

        Of bytes that no longer lie here the store was seen to have them once; whether it still has, the push
        finds.
        """
        self._sql.execute(
            "UPDATE originals SET held_at=NULL, held_noted=NULL,"
            " ahead_at=CASE WHEN spooled_at IS NULL THEN held_at END WHERE sha256 IN"
            " (SELECT sha256 FROM files WHERE return_id=?) AND NOT EXISTS (SELECT 1 FROM files f"
            " JOIN returns r ON r.id=f.return_id WHERE f.sha256=originals.sha256 AND r.state='held')",
            (str(return_id),),
        )

    def spooled_of(self, return_id: UUID, limit: int = AHEAD_AT_ONCE) -> list[tuple[str, int]]:
        """Digest and size of the next files of a return that lie in the spool alone."""
        rows = self._sql.execute(
            "SELECT DISTINCT o.sha256, o.size FROM files f JOIN originals o ON o.sha256=f.sha256"
            " WHERE f.return_id=? AND o.spooled_at IS NOT NULL AND o.held_at IS NULL AND o.ahead_at IS NULL"
            " LIMIT ?",
            (str(return_id), limit),
        )
        return [(row["sha256"], row["size"]) for row in rows]

    def note_ahead(self, digests: Iterable[str]) -> None:
        """The store was seen to have these, although no receipt lists them yet."""
        noted_at = now().isoformat()
        with self._database.transaction():
            self._sql.executemany(
                "UPDATE originals SET ahead_at=? WHERE sha256=?", [(noted_at, digest) for digest in digests]
            )

    def spooled_ahead(self) -> Iterator[str]:
        """Spooled digests that the store was seen to have although no receipt lists them yet."""
        while True:
            rows = self._sql.execute(
                "SELECT sha256 FROM originals WHERE ahead_at IS NOT NULL AND spooled_at IS NOT NULL"
                " AND held_at IS NULL LIMIT ?",
                (DIGESTS_AT_ONCE,),
            ).fetchall()
            if not rows:
                return
            yield from (row["sha256"] for row in rows)

    def distrust(self, digests: Iterable[str]) -> None:
        """Neither spool nor service has these: the next read of a card copies them again."""
        with self._database.transaction():
            self._sql.executemany(
                "UPDATE originals SET held_at=NULL, held_noted=NULL, ahead_at=NULL, spooled_at=NULL"
                " WHERE sha256=?",
                [(digest,) for digest in digests],
            )

    def prunable(self, before: datetime | None, noted_before: datetime | None = None) -> Iterator[str]:
        """Spooled digests that a receipt lists since `before` (the service's time), and since
        `noted_before` by this computer's clock, longest held first; None: however short ago.

        Those that a return on its way still names are left.
        """
        held_at, digest = "", ""
        until, noted_until = (LAST if at is None else at.isoformat() for at in (before, noted_before))
        while True:
            rows = self._sql.execute(PRUNABLE, (until, held_at, digest, DIGESTS_AT_ONCE)).fetchall()
            yield from (
                row["sha256"] for row in rows if not row["wanted"] and row["held_noted"] <= noted_until
            )
            if len(rows) < DIGESTS_AT_ONCE:
                return
            held_at, digest = rows[-1]["held_at"], rows[-1]["sha256"]

    def note_pruned(self, digests: Sequence[str]) -> None:
        with self._database.transaction():
            self._sql.executemany(
                "UPDATE originals SET spooled_at=NULL WHERE sha256=?", [(digest,) for digest in digests]
            )


# After every time that isoformat writes.
LAST = "9"
# In steps by key, so that neither a long answer nor an open cursor stands in the way of other threads.
PRUNABLE = (
    "SELECT sha256, held_at, held_noted, EXISTS(SELECT 1 FROM files f JOIN returns r ON r.id=f.return_id"
    "  WHERE f.sha256=o.sha256 AND r.state<>'held') AS wanted"
    " FROM originals o WHERE spooled_at IS NOT NULL AND held_at<=? AND (held_at, sha256)>(?,?)"
    " ORDER BY held_at, sha256 LIMIT ?"
)

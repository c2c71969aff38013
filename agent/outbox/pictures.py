"""SQL of the pictures of card returns: what their bytes are, and where the slates on the card put them."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from uuid import UUID

import msgspec

from agent.pictures import Facts
from service.contract.cards import CardReturnOpen, ManifestFile, PlacementClaim

# A card that was read longer ago than so many others of the same inspection says nothing of this one.
CARDS_BEFORE = 20


@dataclass(frozen=True, slots=True)
class StillContent:
    """The bytes of one or more stills of a return; `path` is the first of their names on the card."""

    digest: str
    size: int
    path: bytes
    facts: Facts | None


class Pictures:
    """All access of one thread; `connection` belongs to that thread."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._sql = connection

    def stills_by_content(self, return_id: UUID) -> list[StillContent]:
        rows = self._sql.execute(
            "SELECT f.sha256, min(f.path_bytes) AS path, o.size, o.facts FROM files f JOIN originals o"
            " USING(sha256) WHERE f.return_id=? AND f.kind='still' GROUP BY f.sha256",
            (str(return_id),),
        )
        return [
            StillContent(row["sha256"], row["size"], bytes(row["path"]), _facts(row["facts"])) for row in rows
        ]

    def note_facts(self, digest: str, facts: Facts) -> None:
        self._sql.execute("UPDATE originals SET facts=? WHERE sha256=?", (msgspec.json.encode(facts), digest))

    def facts_of_files(self, return_id: UUID) -> Iterator[tuple[bytes, str, Facts | None]]:
        """Name, kind and facts of every file of a return."""
        rows = self._sql.execute(
            "SELECT f.path_bytes, f.kind, o.facts FROM files f LEFT JOIN originals o USING(sha256)"
            " WHERE f.return_id=?",
            (str(return_id),),
        )
        yield from ((bytes(row["path_bytes"]), row["kind"], _facts(row["facts"])) for row in rows)

    def complete_before(
        self, return_id: UUID, inspection_id: UUID | None
    ) -> Iterator[tuple[UUID, CardReturnOpen]]:
        """Complete returns of the inspection that were read before, the newest first."""
        rows = self._sql.execute(
            "SELECT id, opening FROM returns WHERE inspection_id=? AND id<? AND complete"
            " ORDER BY id DESC LIMIT ?",
            (str(inspection_id), str(return_id), CARDS_BEFORE),
        )
        for row in rows:
            yield UUID(row["id"]), msgspec.json.decode(row["opening"], type=CardReturnOpen)

    def file_batches(self, return_id: UUID, at_once: int) -> Iterator[list[tuple[int, bytes, ManifestFile]]]:
        """Ordinal, name and record of each file; no cursor is open between two batches."""
        after = 0
        while True:
            rows = self._sql.execute(
                "SELECT ordinal, path_bytes, wire FROM files WHERE return_id=? AND ordinal>? ORDER BY ordinal"
                " LIMIT ?",
                (str(return_id), after, at_once),
            ).fetchall()
            if not rows:
                return
            yield [(row["ordinal"], bytes(row["path_bytes"]), _record(row["wire"])) for row in rows]
            after = rows[-1]["ordinal"]

    def at_no_location(self, return_id: UUID) -> Iterator[tuple[bytes, PlacementClaim | None]]:
        """Stills and videos that stand at no location, with what was found out of their place."""
        rows = self._sql.execute(
            "SELECT path_bytes, wire FROM files WHERE return_id=? AND location IS NULL"
            " AND kind IN ('still','video')",
            (str(return_id),),
        )
        for row in rows:
            yield bytes(row["path_bytes"]), _record(row["wire"]).placement

    def slates(self, return_id: UUID) -> list[tuple[bytes, str]]:
        """Name and location of each slate that was read."""
        rows = self._sql.execute(
            "SELECT path_bytes, location FROM files WHERE return_id=? AND location IS NOT NULL"
            " AND ' '||marks||' ' LIKE '% slate %'",
            (str(return_id),),
        )
        return [(bytes(row["path_bytes"]), row["location"]) for row in rows]


def _record(wire: bytes) -> ManifestFile:
    return msgspec.json.decode(wire, type=ManifestFile)


def _facts(wire: bytes | None) -> Facts | None:
    """None also where the bytes were found in the spool and nothing says what they are."""
    return msgspec.json.decode(wire, type=Facts) if wire else None

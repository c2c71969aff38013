"""SQL of the pictures of card returns: what they show, where they stand, which of them are not whole."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from uuid import UUID

import msgspec

from agent.outbox.journalled import JournalledDatabase
from agent.outbox.originals import facts_of
from agent.pictures import Facts
from service.contract.cards import ManifestFile, PlacementClaim


@dataclass(frozen=True, slots=True)
class StillContent:
    """The bytes of one or more stills of a return; `path` is the first of their names on the card."""

    digest: str
    size: int
    path: bytes
    facts: Facts | None


@dataclass(frozen=True, slots=True)
class UnplacedPicture:
    """A file that stands at no location; `claim` tells what was found out of its place, if anything was."""

    path: bytes
    claim: PlacementClaim | None


class Pictures:
    """Looks only: it joins the tables of files and originals, and writes neither."""

    def __init__(self, database: JournalledDatabase) -> None:
        self._sql = database.sql

    def stills(self, return_id: UUID) -> list[tuple[int, ManifestFile]]:
        """Stills with their ordinals, by name, for placing them in the prepared order."""
        rows = self._sql.execute(
            "SELECT ordinal, wire FROM files WHERE return_id=? AND kind='still' ORDER BY path_bytes",
            (str(return_id),),
        )
        return [(row["ordinal"], _manifest_file(row["wire"])) for row in rows]

    def count_stills(self, return_id: UUID) -> int:
        found = self._sql.execute(
            "SELECT count(*) FROM files WHERE return_id=? AND kind='still'", (str(return_id),)
        ).fetchone()
        return int(found[0])

    def times(self, return_id: UUID) -> Iterator[str]:
        """DateTimeOriginal of each still that has one, as it stands in the file."""
        rows = self._sql.execute(
            "SELECT json_extract(wire, '$.picture.exif.DateTimeOriginal') AS taken FROM files"
            " WHERE return_id=? AND kind='still'",
            (str(return_id),),
        )
        yield from (row["taken"] for row in rows if row["taken"])

    def stills_by_content(self, return_id: UUID) -> list[StillContent]:
        rows = self._sql.execute(
            "SELECT f.sha256, min(f.path_bytes) AS path, o.size, o.facts FROM files f JOIN originals o"
            " USING(sha256) WHERE f.return_id=? AND f.kind='still' GROUP BY f.sha256",
            (str(return_id),),
        )
        return [StillContent(row["sha256"], row["size"], row["path"], facts_of(row["facts"])) for row in rows]

    def facts_of_files(self, return_id: UUID) -> Iterator[tuple[bytes, str, Facts | None]]:
        """Name, kind and facts of every file of a return."""
        rows = self._sql.execute(
            "SELECT f.path_bytes, f.kind, o.facts FROM files f LEFT JOIN originals o USING(sha256)"
            " WHERE f.return_id=?",
            (str(return_id),),
        )
        yield from ((row["path_bytes"], row["kind"], facts_of(row["facts"])) for row in rows)

    def by_location(self, return_id: UUID) -> dict[str | None, tuple[int, int]]:
        """Location key -> pictures that count, and those of them that no receipt lists yet; by digest."""
        rows = self._sql.execute(
            "SELECT f.location, count(DISTINCT f.sha256) AS found,"
            " count(DISTINCT CASE WHEN o.held_at IS NULL THEN f.sha256 END) AS fresh"
            " FROM files f LEFT JOIN originals o USING(sha256) WHERE f.return_id=? AND f.picture"
            " GROUP BY f.location",
            (str(return_id),),
        )
        return {row["location"]: (row["found"], row["fresh"]) for row in rows}

    def unplaced(self, return_id: UUID) -> Iterator[UnplacedPicture]:
        """Whole pictures that stand at no location, in the order of the card."""
        rows = self._sql.execute(
            "SELECT path_bytes, wire FROM files WHERE return_id=? AND location IS NULL AND picture"
            " ORDER BY ordinal",
            (str(return_id),),
        )
        return _unplaced(rows)

    def at_no_location(self, return_id: UUID) -> Iterator[UnplacedPicture]:
        """Stills and videos that stand at no location, whole or not."""
        rows = self._sql.execute(
            "SELECT path_bytes, wire FROM files WHERE return_id=? AND location IS NULL"
            " AND kind IN ('still','video')",
            (str(return_id),),
        )
        return _unplaced(rows)

    def marked(self, return_id: UUID) -> list[tuple[str | None, bytes, str]]:
        """Location, name and marks of files that are not whole pictures."""
        rows = self._sql.execute(
            "SELECT location, path_bytes, marks FROM files WHERE return_id=? AND marks<>'' ORDER BY ordinal",
            (str(return_id),),
        )
        return [(row["location"], row["path_bytes"], row["marks"]) for row in rows]

    def slates(self, return_id: UUID) -> list[tuple[bytes, str]]:
        """Name and location of each slate that was read."""
        rows = self._sql.execute(
            "SELECT path_bytes, location FROM files WHERE return_id=? AND location IS NOT NULL"
            " AND ' '||marks||' ' LIKE '% slate %'",
            (str(return_id),),
        )
        return [(row["path_bytes"], row["location"]) for row in rows]


def _unplaced(rows: Iterable[sqlite3.Row]) -> Iterator[UnplacedPicture]:
    for row in rows:
        yield UnplacedPicture(row["path_bytes"], _manifest_file(row["wire"]).placement)


def _manifest_file(wire: bytes) -> ManifestFile:
    return msgspec.json.decode(wire, type=ManifestFile)

"""SQL of the files that were read from cards: the manifest of each card return, as it is sent."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from uuid import UUID

import msgspec

from agent.outbox.journal import Took
from agent.outbox.journalled import JournalledDatabase
from service.contract.cards import ManifestFile, counts_as_held, exact_path, manifest_digest


class CardFile(msgspec.Struct, frozen=True):
    """A file that was read from a card. `path` is its exact name there; `wire` its manifest line as sent."""

    ordinal: int
    path: bytes
    sha256: str
    size: int
    wire: bytes

    @property
    def manifest(self) -> ManifestFile:
        return msgspec.json.decode(self.wire, type=ManifestFile)


class CardFiles:
    """The table `files`. Nothing is removed from it but what is read back from a journal."""

    def __init__(self, database: JournalledDatabase) -> None:
        self._database, self._sql = database, database.sql

    def add(self, return_id: UUID, ordinal: int, file: ManifestFile, wire: bytes | None = None) -> None:
        """`ordinal` counts from 1 without gaps: parts are cut by it. `wire` is the file as it was encoded
        before, if it was: what is sent stays the same (I8)."""
        place = file.placement
        picture = counts_as_held(file.kind, file.marks)
        wire = wire or msgspec.json.encode(file)
        with self._database.transaction():
            self._database.note(return_id, Took(ordinal, msgspec.Raw(wire)))
            self._sql.execute(
                "INSERT INTO files VALUES(?,?,?,?,?,?,?,?,?,?)",
                (
                    str(return_id),
                    ordinal,
                    exact_path(file.path, file.path_bytes),
                    file.sha256,
                    file.size,
                    place.location_key if place else None,
                    file.kind,
                    picture,
                    " ".join(file.marks),
                    wire,
                ),
            )

    def replace(self, return_id: UUID, ordinal: int, file: ManifestFile, wire: bytes | None = None) -> None:
        with self._database.transaction():
            self._sql.execute("DELETE FROM files WHERE return_id=? AND ordinal=?", (str(return_id), ordinal))
            self.add(return_id, ordinal, file, wire)

    def of(self, return_id: UUID) -> Iterator[CardFile]:
        """In the order of the manifest."""
        rows = self._sql.execute(
            "SELECT ordinal, path_bytes, sha256, size, wire FROM files WHERE return_id=? ORDER BY ordinal",
            (str(return_id),),
        )
        yield from (CardFile(*row) for row in rows)

    def batches(self, return_id: UUID, at_once: int) -> Iterator[list[CardFile]]:
        """As `of`; no cursor is open between two batches, so that they can be replaced meanwhile."""
        after = 0
        while True:
            rows = self._sql.execute(
                "SELECT ordinal, path_bytes, sha256, size, wire FROM files WHERE return_id=? AND ordinal>?"
                " ORDER BY ordinal LIMIT ?",
                (str(return_id), after, at_once),
            ).fetchall()
            if not rows:
                return
            yield [CardFile(*row) for row in rows]
            after = rows[-1]["ordinal"]

    def lines(self, return_id: UUID) -> Iterator[tuple[bytes, str, int]]:
        """Exact name, digest and size of each file, in the order of the manifest."""
        rows = self._sql.execute(
            "SELECT path_bytes, sha256, size FROM files WHERE return_id=? ORDER BY ordinal", (str(return_id),)
        )
        yield from ((path, digest, size) for path, digest, size in rows)

    def manifest_digest(self, return_id: UUID) -> str:
        # The contract's function takes a list; it only walks it, so a cursor keeps memory flat.
        return manifest_digest(self.lines(return_id))  # type: ignore[arg-type]

    def wires(self, return_id: UUID, after: int, last: int) -> Iterator[bytes]:
        """Manifest lines as sent, of the ordinals beyond `after` up to `last`."""
        rows = self._sql.execute(
            "SELECT wire FROM files WHERE return_id=? AND ordinal>? AND ordinal<=? ORDER BY ordinal",
            (str(return_id), after, last),
        )
        yield from (row["wire"] for row in rows)

    def totals(self, return_id: UUID, after: int = 0, last: int = sys.maxsize) -> tuple[int, int]:
        """Files and bytes, of all or of the ordinals beyond `after` up to `last`."""
        files, size = self._sql.execute(
            "SELECT count(*), coalesce(sum(size),0) FROM files"
            " WHERE return_id=? AND ordinal>? AND ordinal<=?",
            (str(return_id), after, last),
        ).fetchone()
        return int(files), int(size)

    def rename(self, return_id: UUID, to: UUID) -> None:
        """The return has another id from here on."""
        self._sql.execute("UPDATE files SET return_id=? WHERE return_id=?", (str(to), str(return_id)))

    def forget(self, return_id: UUID) -> None:
        """Before the return is read back from its journal, in the same transaction."""
        self._sql.execute("DELETE FROM files WHERE return_id=?", (str(return_id),))

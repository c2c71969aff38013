"""SQL of card returns: what was read, what was said with it, and how far it has travelled."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from datetime import timedelta
from uuid import UUID

import msgspec

from agent.cards.pictures import Facts
from agent.outbox.database import now, transaction
from service.contract.cards import (
    FILES_PER_PART,
    CardPrepared,
    CardReturnOpen,
    ManifestFile,
    UnreadFile,
    exact_path,
    manifest_digest,
)
from service.contract.work import StatementIn

# What cannot be looked at whole is kept, but never counted as seen; the service counts the same way.
NO_PICTURE = frozenset({"zero_length", "truncated", "not_an_image"})


class Returns:
    """All access of one thread to card returns; `connection` belongs to that thread."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._sql = connection

    def transaction(self) -> AbstractContextManager[None]:
        return transaction(self._sql)

    # Reading

    def open(self, return_id: UUID, opening: CardReturnOpen, unit: str | None, source: str) -> None:
        self._sql.execute(
            "INSERT INTO returns(id, state, unit, inspection_id, revision_id, opening, source, started_at)"
            " VALUES(?,'reading',?,?,?,?,?,?)",
            (
                str(return_id),
                unit,
                _text(opening.inspection_id),
                _text(opening.revision_id),
                msgspec.json.encode(opening),
                source,
                opening.started_at.isoformat(),
            ),
        )

    def add_file(self, return_id: UUID, ordinal: int, file: ManifestFile) -> None:
        """`ordinal` counts from 1 without gaps: parts are cut by it."""
        place = file.placement
        picture = file.kind in ("still", "video") and not NO_PICTURE & set(file.marks)
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
                msgspec.json.encode(file),
            ),
        )

    def replace_file(self, return_id: UUID, ordinal: int, file: ManifestFile) -> None:
        self._sql.execute("DELETE FROM files WHERE return_id=? AND ordinal=?", (str(return_id), ordinal))
        self.add_file(return_id, ordinal, file)

    def add_unread(self, return_id: UUID, ordinal: int, unread: UnreadFile) -> None:
        self._sql.execute(
            "INSERT INTO unread VALUES(?,?,?,?)", (str(return_id), ordinal, unread.path, unread.why)
        )

    def add_statement(self, return_id: UUID, statement: StatementIn) -> None:
        self._sql.execute(
            "INSERT INTO statements(id, return_id, wire) VALUES(?,?,?)",
            (str(statement.id), str(return_id), msgspec.json.encode(statement)),
        )

    def close(self, return_id: UUID, complete: bool, skipped: int) -> None:
        """Reading has ended: from here on the card may be removed."""
        files, size = self._sql.execute(
            "SELECT count(*), coalesce(sum(size),0) FROM files WHERE return_id=?", (str(return_id),)
        ).fetchone()
        self._sql.execute(
            "UPDATE returns SET state='copied', finished_at=?, complete=?, files=?, bytes=?,"
            " manifest_sha256=?, skipped=? WHERE id=? AND state='reading'",
            (
                now().isoformat(),
                complete,
                files,
                size,
                self.manifest_digest(return_id),
                skipped,
                str(return_id),
            ),
        )

    def manifest_digest(self, return_id: UUID) -> str:
        rows = self._sql.execute(
            "SELECT path_bytes, sha256, size FROM files WHERE return_id=? ORDER BY ordinal", (str(return_id),)
        )
        # The contract's function takes a list; it only walks it, so a cursor keeps memory flat.
        return manifest_digest(((bytes(p), d, s) for p, d, s in rows))  # type: ignore[arg-type]

    # Looking

    def one(self, return_id: UUID) -> sqlite3.Row | None:
        row: sqlite3.Row | None = self._sql.execute(
            "SELECT * FROM returns WHERE id=?", (str(return_id),)
        ).fetchone()
        return row

    def newest(self, limit: int = 50) -> Sequence[sqlite3.Row]:
        return self._sql.execute(
            "SELECT r.*, (SELECT count(*) FROM unread u WHERE u.return_id=r.id) AS unread_files"
            " FROM returns r ORDER BY started_at DESC, id DESC LIMIT ?",
            (limit,),
        ).fetchall()

    def in_state(self, state: str) -> list[sqlite3.Row]:
        """The oldest first (UUIDv7 ids ascend with their making)."""
        return self._sql.execute("SELECT * FROM returns WHERE state=? ORDER BY id", (state,)).fetchall()

    def files(self, return_id: UUID) -> Iterator[sqlite3.Row]:
        yield from self._sql.execute(
            "SELECT * FROM files WHERE return_id=? ORDER BY ordinal", (str(return_id),)
        )

    def stills(self, return_id: UUID) -> list[tuple[int, ManifestFile]]:
        """Stills with their ordinals, by name, for placing them in the prepared order."""
        rows = self._sql.execute(
            "SELECT ordinal, wire FROM files WHERE return_id=? AND kind='still' ORDER BY path_bytes",
            (str(return_id),),
        )
        return [(row["ordinal"], msgspec.json.decode(row["wire"], type=ManifestFile)) for row in rows]

    def count_stills(self, return_id: UUID) -> int:
        found = self._sql.execute(
            "SELECT count(*) FROM files WHERE return_id=? AND kind='still'", (str(return_id),)
        ).fetchone()
        return int(found[0])

    def unread(self, return_id: UUID) -> list[UnreadFile]:
        rows = self._sql.execute(
            "SELECT path, why FROM unread WHERE return_id=? ORDER BY ordinal", (str(return_id),)
        )
        return [UnreadFile(path=row["path"], why=row["why"]) for row in rows]

    def statements(self, return_id: UUID) -> list[StatementIn]:
        """Those not refused."""
        rows = self._sql.execute(
            "SELECT wire FROM statements WHERE return_id=? AND trouble IS NULL ORDER BY id", (str(return_id),)
        )
        return [msgspec.json.decode(row["wire"], type=StatementIn) for row in rows]

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

    def marked(self, return_id: UUID) -> list[tuple[str | None, bytes, str]]:
        """Location, name and marks of files that are not whole pictures."""
        rows = self._sql.execute(
            "SELECT location, path_bytes, marks FROM files WHERE return_id=? AND marks<>'' ORDER BY ordinal",
            (str(return_id),),
        )
        return [(row["location"], bytes(row["path_bytes"]), row["marks"]) for row in rows]

    # Pushing

    def parts(self, return_id: UUID) -> int:
        files = self._sql.execute(
            "SELECT count(*) FROM files WHERE return_id=?", (str(return_id),)
        ).fetchone()[0]
        return -(-int(files) // FILES_PER_PART)

    def part_body(self, return_id: UUID, part: int) -> bytes:
        """The body of part `part`, from 1; always the same bytes (I8)."""
        rows = self._sql.execute(
            "SELECT wire FROM files WHERE return_id=? AND ordinal>? AND ordinal<=? ORDER BY ordinal",
            (str(return_id), (part - 1) * FILES_PER_PART, part * FILES_PER_PART),
        )
        return b'{"files":[' + b",".join(row["wire"] for row in rows) + b"]}"

    def refuse_statements(self, return_id: UUID, why: str) -> None:
        self._sql.execute(
            "UPDATE statements SET trouble=? WHERE return_id=? AND trouble IS NULL", (why, str(return_id))
        )

    def refused_statements(self, return_id: UUID) -> list[str]:
        rows = self._sql.execute(
            "SELECT DISTINCT trouble FROM statements WHERE return_id=? AND trouble IS NOT NULL",
            (str(return_id),),
        )
        return [row["trouble"] for row in rows]

    def put_off(self, return_id: UUID, until: float, trouble: str) -> None:
        self._sql.execute(
            "UPDATE returns SET tries=tries+1, next_try=?, trouble=? WHERE id=?",
            (until, trouble, str(return_id)),
        )

    def hold(self, return_id: UUID, receipt: bytes) -> None:
        """A verified receipt lists every file of the return."""
        at = now().isoformat()
        with self.transaction():
            self._sql.execute("INSERT OR REPLACE INTO receipts VALUES(?,?,?)", (str(return_id), receipt, at))
            self._sql.execute(
                "UPDATE originals SET held_at=coalesce(held_at,?) WHERE sha256 IN"
                " (SELECT sha256 FROM files WHERE return_id=?)",
                (at, str(return_id)),
            )
            self._sql.execute("UPDATE returns SET state='held', trouble=NULL WHERE id=?", (str(return_id),))

    # Originals

    def original(self, digest: str) -> sqlite3.Row | None:
        row: sqlite3.Row | None = self._sql.execute(
            "SELECT * FROM originals WHERE sha256=?", (digest,)
        ).fetchone()
        return row

    def size_is_known(self, size: int) -> bool:
        found = self._sql.execute("SELECT 1 FROM originals WHERE size=? LIMIT 1", (size,))
        return found.fetchone() is not None

    def note_spooled(self, digest: str, size: int, facts: Facts) -> None:
        self._sql.execute(
            "INSERT INTO originals(sha256, size, facts, spooled_at) VALUES(?,?,?,?)"
            " ON CONFLICT(sha256) DO UPDATE SET spooled_at=excluded.spooled_at",
            (digest, size, msgspec.json.encode(facts), now().isoformat()),
        )

    def distrust(self, digests: Iterable[str]) -> None:
        """Neither spool nor service has these: the next read of a card copies them again."""
        with self.transaction():
            self._sql.executemany(
                "UPDATE originals SET held_at=NULL, spooled_at=NULL WHERE sha256=?", [(d,) for d in digests]
            )

    def prunable(self, keep_days: float | None) -> Iterator[str]:
        """Spooled digests that a receipt lists, longest held first; None: however short ago.

        Those that a return on its way still names are left.
        """
        cutoff = now() - timedelta(days=keep_days or 0)
        rows = self._sql.execute(
            "SELECT sha256 FROM originals o WHERE spooled_at IS NOT NULL AND held_at<=? AND NOT EXISTS"
            " (SELECT 1 FROM files f JOIN returns r ON r.id=f.return_id"
            "  WHERE f.sha256=o.sha256 AND r.state<>'held') ORDER BY held_at",
            (cutoff.isoformat(),),
        ).fetchall()
        yield from (row["sha256"] for row in rows)

    def note_pruned(self, digest: str) -> None:
        self._sql.execute("UPDATE originals SET spooled_at=NULL WHERE sha256=?", (digest,))

    def waiting(self) -> tuple[int, int]:
        """Files and bytes of returns without a receipt."""
        files, size = self._sql.execute(
            "SELECT coalesce(sum(files),0), coalesce(sum(bytes),0) FROM returns WHERE state='copied'"
        ).fetchone()
        return int(files), int(size)

    # Cards taken and prepared

    def was_taken(self, fingerprint: str) -> bool:
        found = self._sql.execute("SELECT 1 FROM taken WHERE fingerprint=?", (fingerprint,))
        return found.fetchone() is not None

    def note_taken(self, fingerprint: str, return_id: UUID | None) -> None:
        self._sql.execute(
            "INSERT OR REPLACE INTO taken VALUES(?,?,?)", (fingerprint, _text(return_id), now().isoformat())
        )

    def note_prepared(self, card_id: UUID, prepared: CardPrepared) -> None:
        self._sql.execute(
            "INSERT INTO preparations(card_id, wire, made_at) VALUES(?,?,?)",
            (str(card_id), msgspec.json.encode(prepared), now().isoformat()),
        )

    def unsent_preparations(self) -> list[tuple[UUID, bytes]]:
        rows = self._sql.execute(
            "SELECT card_id, wire FROM preparations WHERE sent_at IS NULL AND trouble IS NULL"
            " ORDER BY card_id"
        )
        return [(UUID(row["card_id"]), bytes(row["wire"])) for row in rows]

    def note_preparation_sent(self, card_id: UUID, trouble: str | None = None) -> None:
        self._sql.execute(
            "UPDATE preparations SET sent_at=?, trouble=? WHERE card_id=?",
            (None if trouble else now().isoformat(), trouble, str(card_id)),
        )


def _text(value: UUID | None) -> str | None:
    return None if value is None else str(value)

"""SQL of how far a card return has travelled. Lost, it costs only time: everything can be asked again."""

from __future__ import annotations

import sqlite3
from uuid import UUID

import msgspec

from agent.outbox.database import now
from service.contract.cards import LARGE_FROM

# Files in a part of the manifest. Fewer than the service takes: so little is left to look at in the store
# once the last file is sent, and the first file need not wait for a long list.
PART_FILES = 100


class Sending:
    _sql: sqlite3.Connection

    def parts_sent(self, return_id: UUID) -> int:
        """Manifest parts, from the first, that the service has answered."""
        return int(self._kept(f"sent-parts/{return_id}") or 0)

    def note_parts_sent(self, return_id: UUID, parts: int) -> None:
        self._keep(f"sent-parts/{return_id}", str(parts).encode("ascii"))

    def part_totals(self, return_id: UUID, part: int) -> tuple[int, int]:
        """Files and bytes that part `part`, from 1, names."""
        files, size = self._sql.execute(
            "SELECT count(*), coalesce(sum(size),0) FROM files"
            " WHERE return_id=? AND ordinal>? AND ordinal<=?",
            (str(return_id), *self._ordinals(return_id, part)),
        ).fetchone()
        return int(files), int(size)

    def _ordinals(self, return_id: UUID, part: int) -> tuple[int, int]:
        """The last ordinal before part `part`, and its own last one."""
        files = self._part_files(return_id)
        return (part - 1) * files, part * files

    def _part_files(self, return_id: UUID) -> int:
        row = self._sql.execute("SELECT part_files FROM returns WHERE id=?", (str(return_id),)).fetchone()
        return int(row[0])

    def large_parts(self, digest: str) -> list[str] | None:
        """The digests of the parts of a large file, once computed."""
        kept = self._kept(f"large-parts/{digest}")
        return None if kept is None else msgspec.json.decode(kept, type=list[str])

    def keep_large_parts(self, digest: str, parts: list[str]) -> None:
        self._keep(f"large-parts/{digest}", msgspec.json.encode(parts))

    def forget_sending(self, return_id: UUID) -> None:
        """The receipt is noted: how it travelled matters no more."""
        self._sql.execute(
            "DELETE FROM documents WHERE name=?1 OR name IN"
            " (SELECT 'large-parts/' || sha256 FROM files WHERE return_id=?2 AND size>?3)",
            (f"sent-parts/{return_id}", str(return_id), LARGE_FROM),
        )

    def _kept(self, name: str) -> bytes | None:
        row = self._sql.execute("SELECT body FROM documents WHERE name=?", (name,)).fetchone()
        return None if row is None else bytes(row["body"])

    def _keep(self, name: str, body: bytes) -> None:
        self._sql.execute(
            "INSERT OR REPLACE INTO documents VALUES(?,NULL,?,?)", (name, body, now().isoformat())
        )

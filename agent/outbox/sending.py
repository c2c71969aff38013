"""SQL of how far a card return has travelled. Lost, it costs only time: everything can be asked again."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple
from uuid import UUID

import msgspec

from agent.clock import now
from service.contract.cards import LargeLacking


class Cut(NamedTuple):
    """How a manifest is cut into parts: `files` in each at most, `short` in the first and the last; 0: no
    part is shorter but the last.

    No file goes before the first part; and the tickets of the last are soon there, so that no upload idles.
    """

    files: int
    short: int

    def ends(self, total: int) -> list[int]:
        """The last ordinal, from 1, of each part of a manifest of `total` files."""
        first = min(total, self.short)
        before_last = max(first, total - self.short)
        return sorted({*range(first, before_last, self.files), before_last, total} - {0})


# Fewer than the service takes: so little is looked at in the store at once.
CUT = Cut(250, 10)


class Sending:
    _sql: sqlite3.Connection

    def parts_sent(self, return_id: UUID) -> int:
        """Manifest parts, from the first, that the service has answered."""
        return int(self._kept(f"sent-parts/{return_id}") or 0)

    def note_parts_sent(self, return_id: UUID, parts: int) -> None:
        self._keep(f"sent-parts/{return_id}", str(parts).encode("ascii"))

    def all_sent(self, return_id: UUID) -> list[LargeLacking] | None:
        """The large files that the service waited for when everything else was sent; None: not all was."""
        kept = self._kept(f"all-sent/{return_id}")
        return None if kept is None else msgspec.json.decode(kept, type=list[LargeLacking])

    def note_all_sent(self, return_id: UUID, large: list[LargeLacking]) -> None:
        self._keep(f"all-sent/{return_id}", msgspec.json.encode(large))

    def forget_all_sent(self, return_id: UUID) -> None:
        self._sql.execute("DELETE FROM documents WHERE name=?", (f"all-sent/{return_id}",))

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
        ends = [0, *self._ends(return_id)]
        return ends[part - 1], ends[part]

    def _ends(self, return_id: UUID) -> list[int]:
        """The last ordinal of each part. Never others for one return: once read, its files stay."""
        total, *cut = self._sql.execute(
            "SELECT files, part_files, short_part FROM returns WHERE id=?", (str(return_id),)
        ).fetchone()
        return Cut(*cut).ends(total)

    def large_parts(self, digest: str) -> list[str] | None:
        """The digests of the parts of a large file, once computed."""
        kept = self._kept(f"large-parts/{digest}")
        return None if kept is None else msgspec.json.decode(kept, type=list[str])

    def keep_large_parts(self, digest: str, parts: list[str]) -> None:
        self._keep(f"large-parts/{digest}", msgspec.json.encode(parts))

    def forget_sending(self, return_id: UUID) -> None:
        """The receipt is noted: how it travelled matters no more. The digests of the parts of large files
        are kept: with them the store can be asked for a file whose bytes are no longer here."""
        self._sql.execute(
            "DELETE FROM documents WHERE name IN ('sent-parts/' || ?1, 'all-sent/' || ?1)", (str(return_id),)
        )

    def _kept(self, name: str) -> bytes | None:
        row = self._sql.execute("SELECT body FROM documents WHERE name=?", (name,)).fetchone()
        return None if row is None else bytes(row["body"])

    def _keep(self, name: str, body: bytes) -> None:
        self._sql.execute(
            "INSERT OR REPLACE INTO documents VALUES(?,NULL,?,?)", (name, body, now().isoformat())
        )

"""SQL of how far card returns have travelled. Lost, it costs only time: everything can be asked again."""

from __future__ import annotations

from uuid import UUID

import msgspec

from agent.outbox.journalled import JournalledDatabase
from service.contract.cards import LargeLacking


class SendingState:
    """The tables `sending` and `large_parts`."""

    def __init__(self, database: JournalledDatabase) -> None:
        self._sql = database.sql

    def parts_sent(self, return_id: UUID) -> int:
        """Manifest parts, from the first, that the service has answered."""
        row = self._sql.execute("SELECT parts FROM sending WHERE return_id=?", (str(return_id),)).fetchone()
        return 0 if row is None else int(row["parts"])

    def note_parts_sent(self, return_id: UUID, parts: int) -> None:
        self._sql.execute(
            "INSERT INTO sending(return_id, parts) VALUES(?,?)"
            " ON CONFLICT(return_id) DO UPDATE SET parts=excluded.parts",
            (str(return_id), parts),
        )

    def all_sent(self, return_id: UUID) -> list[LargeLacking] | None:
        """The large files that the service waited for when everything else was sent; None: not all was."""
        row = self._sql.execute("SELECT large FROM sending WHERE return_id=?", (str(return_id),)).fetchone()
        if row is None or row["large"] is None:
            return None
        return msgspec.json.decode(row["large"], type=list[LargeLacking])

    def note_all_sent(self, return_id: UUID, large: list[LargeLacking]) -> None:
        self._sql.execute(
            "INSERT INTO sending(return_id, large) VALUES(?,?)"
            " ON CONFLICT(return_id) DO UPDATE SET large=excluded.large",
            (str(return_id), msgspec.json.encode(large)),
        )

    def forget_all_sent(self, return_id: UUID) -> None:
        self._sql.execute("UPDATE sending SET large=NULL WHERE return_id=?", (str(return_id),))

    def forget(self, return_id: UUID) -> None:
        """The receipt is noted, or the return begins anew. The digests of the parts of large files are kept:
        with them the store can be asked for a file whose bytes are no longer here."""
        self._sql.execute("DELETE FROM sending WHERE return_id=?", (str(return_id),))

    def large_parts(self, digest: str) -> list[str] | None:
        """The digests of the parts of a large file, once computed."""
        row = self._sql.execute("SELECT digests FROM large_parts WHERE sha256=?", (digest,)).fetchone()
        return None if row is None else msgspec.json.decode(row["digests"], type=list[str])

    def keep_large_parts(self, digest: str, parts: list[str]) -> None:
        self._sql.execute(
            "INSERT OR REPLACE INTO large_parts VALUES(?,?)", (digest, msgspec.json.encode(parts))
        )

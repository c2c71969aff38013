"""SQL of insertions of media that were read to their end, while they last (agent.cards.slots)."""

from __future__ import annotations

from collections.abc import Iterable
from uuid import UUID

from agent.clock import now
from agent.outbox.journalled import JournalledDatabase


class ReadInsertions:
    """The table `insertions`."""

    def __init__(self, database: JournalledDatabase) -> None:
        self._sql = database.sql

    def return_of(self, key: str) -> UUID | None:
        """The card return as which what is in under this key was read to its end."""
        row = self._sql.execute("SELECT return_id FROM insertions WHERE key=?", (key,)).fetchone()
        return None if row is None else UUID(row["return_id"])

    def add(self, key: str, root: str, return_id: UUID) -> None:
        self._sql.execute(
            "INSERT OR REPLACE INTO insertions VALUES(?,?,?,?)",
            (key, root, str(return_id), now().isoformat()),
        )

    def forget_absent(self, present: Iterable[str]) -> None:
        """Media that are no longer in at one of the roots have to be read when they are put in again."""
        roots = {row["root"] for row in self._sql.execute("SELECT DISTINCT root FROM insertions")}
        for root in roots - set(present):
            self._sql.execute("DELETE FROM insertions WHERE root=?", (root,))

    def rename(self, return_id: UUID, to: UUID) -> None:
        """The return has another id from here on."""
        self._sql.execute("UPDATE insertions SET return_id=? WHERE return_id=?", (str(to), str(return_id)))

"""SQL of what could not be read from a card: named, so that nobody takes what was read for all of it (I7)."""

from __future__ import annotations

from uuid import UUID

from agent.outbox.journal import NotRead
from agent.outbox.journalled import JournalledDatabase
from service.contract.cards import UnreadFile


class UnreadFiles:
    """The table `unread`."""

    def __init__(self, database: JournalledDatabase) -> None:
        self._database, self._sql = database, database.sql

    def add(self, return_id: UUID, ordinal: int, unread: UnreadFile) -> None:
        """`ordinal` counts from 1; one that is given again replaces what stood under it."""
        with self._database.transaction():
            self._database.note(return_id, NotRead(ordinal, unread.path, unread.why))
            self._sql.execute(
                "INSERT OR REPLACE INTO unread VALUES(?,?,?,?)",
                (str(return_id), ordinal, unread.path, unread.why),
            )

    def of(self, return_id: UUID) -> list[UnreadFile]:
        rows = self._sql.execute(
            "SELECT path, why FROM unread WHERE return_id=? ORDER BY ordinal", (str(return_id),)
        )
        return [UnreadFile(path=row["path"], why=row["why"]) for row in rows]

    def count(self, return_id: UUID) -> int:
        found = self._sql.execute("SELECT count(*) FROM unread WHERE return_id=?", (str(return_id),))
        return int(found.fetchone()[0])

    def rename(self, return_id: UUID, to: UUID) -> None:
        """The return has another id from here on."""
        self._sql.execute("UPDATE unread SET return_id=? WHERE return_id=?", (str(to), str(return_id)))

    def forget(self, return_id: UUID) -> None:
        """Before the return is read back from its journal, in the same transaction."""
        self._sql.execute("DELETE FROM unread WHERE return_id=?", (str(return_id),))

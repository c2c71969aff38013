"""SQL of what people state at this workstation without a card: kept until the service has it."""

from __future__ import annotations

import sqlite3
from uuid import UUID

import msgspec

from agent.clock import now
from agent.outbox.journal import Journals
from service.contract.work import StatementIn

# In place of a card return.
NO_RETURN = ""


class Spoken:
    _sql: sqlite3.Connection
    journals: Journals | None

    def note_spoken(self, statement: StatementIn) -> None:
        """Keep a statement, on the disk beside the outbox first."""
        wire = msgspec.json.encode(statement)
        if self.journals is not None:
            self.journals.keep_spoken(statement.id, wire)
        self.add_spoken(statement.id, wire)

    def add_spoken(self, statement_id: UUID, wire: bytes) -> None:
        self._sql.execute(
            "INSERT OR IGNORE INTO statements(id, return_id, wire) VALUES(?,?,?)",
            (str(statement_id), NO_RETURN, wire),
        )

    def unsent_spoken(self) -> list[StatementIn]:
        """Those that the service has neither taken nor refused, the oldest first."""
        rows = self._sql.execute(
            "SELECT wire FROM statements"
            " WHERE return_id=? AND trouble IS NULL AND sent_at IS NULL ORDER BY id",
            (NO_RETURN,),
        )
        return [msgspec.json.decode(row["wire"], type=StatementIn) for row in rows]

    def refused_spoken(self) -> list[tuple[StatementIn, str]]:
        """Those that the service refused and nobody has put aside, with its reason."""
        rows = self._sql.execute(
            "SELECT wire, trouble FROM statements"
            " WHERE return_id=? AND trouble IS NOT NULL AND sent_at IS NULL ORDER BY id",
            (NO_RETURN,),
        )
        return [(msgspec.json.decode(row["wire"], type=StatementIn), row["trouble"]) for row in rows]

    def note_spoken_sent(self, statement_id: UUID) -> None:
        """The service has it; or a person has put it aside."""
        self._sql.execute(
            "UPDATE statements SET sent_at=? WHERE id=?", (now().isoformat(), str(statement_id))
        )
        if self.journals is not None:
            self.journals.drop_spoken(statement_id)

    def note_spoken_refused(self, statement_id: UUID, why: str) -> None:
        self._sql.execute("UPDATE statements SET trouble=? WHERE id=?", (why, str(statement_id)))

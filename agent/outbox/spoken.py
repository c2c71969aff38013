"""SQL of what people state at this workstation without a card: kept until the service has it."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

import msgspec

from agent.clock import now
from agent.outbox.journalled import JournalledDatabase
from agent.outbox.statements import not_taken
from service.contract.work import StatementIn


@dataclass(frozen=True, slots=True)
class RefusedSpokenStatement:
    """A statement without a card that the service did not take, with its reason."""

    statement: StatementIn
    why: str

    def text(self) -> str:
        return (
            f"{not_taken(self.statement, self.why)} "
            f"State it anew, and put this one aside: sightledger-agent state --aside {self.statement.id}"
        )


class SpokenStatements:
    """The table `spoken`, and a file beside the outbox for each that was not sent yet."""

    def __init__(self, database: JournalledDatabase) -> None:
        self._journals, self._sql = database.journals, database.sql

    def add(self, statement: StatementIn) -> None:
        """Keep a statement, on the disk beside the outbox first."""
        wire = msgspec.json.encode(statement)
        if self._journals is not None:
            self._journals.keep_spoken(statement.id, wire)
        self.restore(statement.id, wire)

    def restore(self, statement_id: UUID, wire: bytes) -> None:
        """From the file beside the outbox; one that is known stays as it is."""
        self._sql.execute("INSERT OR IGNORE INTO spoken(id, wire) VALUES(?,?)", (str(statement_id), wire))

    def unsent(self) -> list[StatementIn]:
        """Those that the service has neither taken nor refused, the oldest first."""
        rows = self._sql.execute(
            "SELECT wire FROM spoken WHERE trouble IS NULL AND sent_at IS NULL ORDER BY id"
        )
        return [msgspec.json.decode(row["wire"], type=StatementIn) for row in rows]

    def refused(self) -> list[RefusedSpokenStatement]:
        """Those that the service refused and nobody has put aside, the oldest first."""
        rows = self._sql.execute(
            "SELECT wire, trouble FROM spoken WHERE trouble IS NOT NULL AND sent_at IS NULL ORDER BY id"
        )
        return [
            RefusedSpokenStatement(msgspec.json.decode(row["wire"], type=StatementIn), row["trouble"])
            for row in rows
        ]

    def note_done(self, statement_id: UUID) -> None:
        """The service has it; or a person has put it aside."""
        self._sql.execute("UPDATE spoken SET sent_at=? WHERE id=?", (now().isoformat(), str(statement_id)))
        if self._journals is not None:
            self._journals.drop_spoken(statement_id)

    def note_refused(self, statement_id: UUID, why: str) -> None:
        self._sql.execute("UPDATE spoken SET trouble=? WHERE id=?", (why, str(statement_id)))

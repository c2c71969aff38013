"""SQL of what people stated with a card: it goes with the commit of the card return."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from uuid import UUID

import msgspec

from agent.outbox.journal import Stated
from agent.outbox.journalled import JournalledDatabase
from service.contract.work import StatementIn


def locations_text(statement: StatementIn) -> str:
    """The locations of a statement as a person reads them."""
    return "every location" if statement.locations is None else ", ".join(statement.locations)


def not_taken(statement: StatementIn, why: str) -> str:
    """That the service did not take a statement, and why."""
    kind = statement.kind.replace("_", " ")
    return f"{locations_text(statement)}: the statement '{kind}' was not taken: {why}"


@dataclass(frozen=True, slots=True)
class RefusedCardStatement:
    """A statement that came with a card return of this workstation; `unit` is that of the card."""

    return_id: UUID
    unit: str | None
    statement: StatementIn
    why: str

    @property
    def locations(self) -> str:
        """The locations as a person reads them."""
        return locations_text(self.statement)

    def text(self) -> str:
        return (
            f"{self.unit or 'no unit'}, {not_taken(self.statement, self.why)} "
            f"A person deals with it at card return {self.return_id}."
        )


class CardStatements:
    """The table `statements`; `trouble` is why the service refused one that nobody has dealt with."""

    def __init__(self, database: JournalledDatabase) -> None:
        self._database, self._sql = database, database.sql

    def add(self, return_id: UUID, statement: StatementIn, wire: bytes | None = None) -> None:
        """`wire` is the statement as it was encoded before, if it was: what is sent stays the same (I8)."""
        wire = wire or msgspec.json.encode(statement)
        with self._database.transaction():
            self._database.note(return_id, Stated(msgspec.Raw(wire)))
            self._sql.execute(
                "INSERT OR REPLACE INTO statements(id, return_id, wire) VALUES(?,?,?)",
                (str(statement.id), str(return_id), wire),
            )

    def wires(self, return_id: UUID) -> Iterator[bytes]:
        """Each as it is sent."""
        rows = self._sql.execute(
            "SELECT wire FROM statements WHERE return_id=? ORDER BY id", (str(return_id),)
        )
        yield from (row["wire"] for row in rows)

    def of(self, return_id: UUID) -> list[StatementIn]:
        """All that came with it, those that were refused among them: the commit stays the same (I8)."""
        return [msgspec.json.decode(wire, type=StatementIn) for wire in self.wires(return_id)]

    def note_refused(self, return_id: UUID, why: Mapping[UUID, str]) -> None:
        """Which statements of the return the service keeps as refused and open, with its reasons; the others
        were taken, or a person dealt with them."""
        rows = self._sql.execute("SELECT id FROM statements WHERE return_id=?", (str(return_id),)).fetchall()
        self._sql.executemany(
            "UPDATE statements SET trouble=? WHERE id=?",
            [(why.get(UUID(row["id"])), row["id"]) for row in rows],
        )

    def refused(self) -> list[RefusedCardStatement]:
        """Of all returns, the oldest first; the unit is looked up in the table of card returns."""
        rows = self._sql.execute(
            "SELECT s.return_id, s.wire, s.trouble, r.unit"
            " FROM statements s JOIN returns r ON r.id=s.return_id"
            " WHERE s.trouble IS NOT NULL ORDER BY s.return_id, s.id"
        )
        return [
            RefusedCardStatement(
                UUID(row["return_id"]),
                row["unit"],
                msgspec.json.decode(row["wire"], type=StatementIn),
                row["trouble"],
            )
            for row in rows
        ]

    def rename(self, return_id: UUID, to: UUID) -> None:
        """The return has another id from here on."""
        self._sql.execute("UPDATE statements SET return_id=? WHERE return_id=?", (str(to), str(return_id)))

    def forget(self, return_id: UUID) -> None:
        """Before the return is read back from its journal, in the same transaction."""
        self._sql.execute("DELETE FROM statements WHERE return_id=?", (str(return_id),))

"""SQL of what the service refused and a person has not dealt with: statements and preparations."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

import msgspec

from service.contract.cards import CardPrepared
from service.contract.work import StatementIn


def locations_text(statement: StatementIn) -> str:
    """The locations of a statement as a person reads them."""
    return "every location" if statement.locations is None else ", ".join(statement.locations)


def not_taken(statement: StatementIn, why: str) -> str:
    """That the service did not take a statement, and why."""
    kind = statement.kind.replace("_", " ")
    return f"{locations_text(statement)}: the statement '{kind}' was not taken: {why}"


@dataclass(frozen=True, slots=True)
class RefusedHere:
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


@dataclass(frozen=True, slots=True)
class RefusedPreparation:
    """A card that was prepared here and that the service does not know for it."""

    card_id: UUID
    wire: bytes
    made_at: datetime
    why: str

    @property
    def prepared(self) -> CardPrepared:
        return msgspec.json.decode(self.wire, type=CardPrepared)

    def text(self) -> str:
        return (
            f"card {self.card_id}, prepared {self.made_at:%Y-%m-%d %H:%M} UTC: the service refused to record "
            f"it: {self.why} Prepare the card again, or read it when it is back: it is taken all the same."
        )


class Refusals:
    _sql: sqlite3.Connection

    def note_refused(self, return_id: UUID, why: Mapping[UUID, str]) -> None:
        """Which statements of the return the service keeps as refused and open, with its reasons; the others
        were taken, or a person dealt with them."""
        rows = self._sql.execute("SELECT id FROM statements WHERE return_id=?", (str(return_id),)).fetchall()
        self._sql.executemany(
            "UPDATE statements SET trouble=? WHERE id=?",
            [(why.get(UUID(row["id"])), row["id"]) for row in rows],
        )

    def refused_statements(self) -> list[RefusedHere]:
        """Of all returns, the oldest first."""
        rows = self._sql.execute(
            "SELECT s.return_id, s.wire, s.trouble, r.unit"
            " FROM statements s JOIN returns r ON r.id=s.return_id"
            " WHERE s.trouble IS NOT NULL ORDER BY s.return_id, s.id"
        )
        return [
            RefusedHere(
                UUID(row["return_id"]),
                row["unit"],
                msgspec.json.decode(row["wire"], type=StatementIn),
                row["trouble"],
            )
            for row in rows
        ]

    def refused_preparations(self) -> list[RefusedPreparation]:
        """Those whose card has not come back, the oldest first."""
        rows = self._sql.execute(
            "SELECT card_id, wire, made_at, trouble FROM preparations"
            " WHERE sent_at IS NULL AND trouble IS NOT NULL ORDER BY card_id"
        )
        return [
            RefusedPreparation(
                UUID(row["card_id"]),
                bytes(row["wire"]),
                datetime.fromisoformat(row["made_at"]),
                row["trouble"],
            )
            for row in rows
        ]

"""SQL of cards: insertions that were read to their end, and preparations that the service has to hear of."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from uuid import UUID

import msgspec

from agent.clock import now
from agent.outbox.journal import Journals
from service.contract.cards import CardPrepared


class Cards:
    _sql: sqlite3.Connection
    journals: Journals | None

    def reading_of(self, key: str) -> UUID | None:
        """The return that was read to its end under this key (agent.cards.slots)."""
        row = self._sql.execute("SELECT return_id FROM readings WHERE key=?", (key,)).fetchone()
        return None if row is None else UUID(row["return_id"])

    def note_reading(self, key: str, root: str, return_id: UUID) -> None:
        self._sql.execute(
            "INSERT OR REPLACE INTO readings VALUES(?,?,?,?)", (key, root, str(return_id), now().isoformat())
        )

    def forget_readings(self, present: Iterable[str]) -> None:
        """Media that are no longer in at one of the roots have to be read when they are put in again."""
        roots = {row["root"] for row in self._sql.execute("SELECT DISTINCT root FROM readings")}
        for root in roots - set(present):
            self._sql.execute("DELETE FROM readings WHERE root=?", (root,))

    def note_prepared(self, card_id: UUID, prepared: CardPrepared) -> None:
        wire = msgspec.json.encode(prepared)
        if self.journals is not None:
            self.journals.keep_prepared(card_id, wire)
        self.add_preparation(card_id, wire)

    def add_preparation(self, card_id: UUID, wire: bytes) -> None:
        self._sql.execute(
            "INSERT OR IGNORE INTO preparations(card_id, wire, made_at) VALUES(?,?,?)",
            (str(card_id), wire, now().isoformat()),
        )

    def unsent_preparations(self) -> list[tuple[UUID, bytes]]:
        """Those that the service has not been told of; not those that it refused."""
        rows = self._sql.execute(
            "SELECT card_id, wire FROM preparations WHERE sent_at IS NULL AND trouble IS NULL"
            " ORDER BY card_id"
        )
        return [(UUID(row["card_id"]), bytes(row["wire"])) for row in rows]

    def note_preparation_sent(self, card_id: UUID, trouble: str | None = None) -> None:
        """`trouble`: the service refused it, and it is kept with the reason."""
        self._sql.execute(
            "UPDATE preparations SET sent_at=?, trouble=? WHERE card_id=?",
            (None if trouble else now().isoformat(), trouble, str(card_id)),
        )
        if trouble is None and self.journals is not None:
            self.journals.drop_prepared(card_id)

    def note_card_back(self, card_id: UUID) -> None:
        """The card came back, or was prepared anew: a refusal of its preparation hinders nobody any more."""
        refused = (
            "UPDATE preparations SET sent_at=? WHERE card_id=? AND sent_at IS NULL AND trouble IS NOT NULL"
        )
        changed = self._sql.execute(refused, (now().isoformat(), str(card_id))).rowcount
        if changed and self.journals is not None:
            self.journals.drop_prepared(card_id)

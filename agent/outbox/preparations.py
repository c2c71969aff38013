"""SQL of the cards that were prepared here, until the service has heard of each."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

import msgspec

from agent.clock import now
from agent.outbox.journalled import JournalledDatabase
from service.contract.cards import CardPrepared


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


class Preparations:
    """The table `preparations`, and a file beside the outbox for each that was not sent yet."""

    def __init__(self, database: JournalledDatabase) -> None:
        self._journals, self._sql = database.journals, database.sql

    def add(self, card_id: UUID, prepared: CardPrepared) -> None:
        """Keep it, on the disk beside the outbox first."""
        wire = msgspec.json.encode(prepared)
        if self._journals is not None:
            self._journals.keep_prepared(card_id, wire)
        self.restore(card_id, wire)

    def restore(self, card_id: UUID, wire: bytes) -> None:
        """From the file beside the outbox; one that is known stays as it is."""
        self._sql.execute(
            "INSERT OR IGNORE INTO preparations(card_id, wire, made_at) VALUES(?,?,?)",
            (str(card_id), wire, now().isoformat()),
        )

    def unsent(self) -> list[tuple[UUID, bytes]]:
        """Card and wire of those that the service has not heard of; not of those that it refused."""
        rows = self._sql.execute(
            "SELECT card_id, wire FROM preparations WHERE sent_at IS NULL AND trouble IS NULL"
            " ORDER BY card_id"
        )
        return [(UUID(row["card_id"]), bytes(row["wire"])) for row in rows]

    def refused(self) -> list[RefusedPreparation]:
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

    def note_sent(self, card_id: UUID) -> None:
        self._sql.execute(
            "UPDATE preparations SET sent_at=?, trouble=NULL WHERE card_id=?",
            (now().isoformat(), str(card_id)),
        )
        self._drop_file(card_id)

    def note_refused(self, card_id: UUID, why: str) -> None:
        """It is kept with the reason."""
        self._sql.execute(
            "UPDATE preparations SET sent_at=NULL, trouble=? WHERE card_id=?", (why, str(card_id))
        )

    def note_card_back(self, card_id: UUID) -> None:
        """The card came back, or was prepared anew: a refusal of its preparation hinders nobody any more."""
        refused = (
            "UPDATE preparations SET sent_at=? WHERE card_id=? AND sent_at IS NULL AND trouble IS NOT NULL"
        )
        if self._sql.execute(refused, (now().isoformat(), str(card_id))).rowcount:
            self._drop_file(card_id)

    def offer_again(self) -> None:
        """Each is sent once more; those that the service knows stay there as they are."""
        self._sql.execute("UPDATE preparations SET sent_at=NULL WHERE trouble IS NULL")

    def _drop_file(self, card_id: UUID) -> None:
        if self._journals is not None:
            self._journals.drop_prepared(card_id)

"""SQL of card returns: how each was read, what became of it, and its receipt."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from uuid import UUID

import msgspec

from agent.clock import now
from agent.outbox.card_return import CUT, CardReturn, Cut, State, card_return_of
from agent.outbox.files import CardFiles
from agent.outbox.journal import Closed, Confirmed, Ending, Listed, Opened
from agent.outbox.journalled import JournalledDatabase
from agent.outbox.unread import UnreadFiles
from service.contract.cards import CardReturnOpen

LOST = "the service knows nothing of this card return any more; it is offered again"
AT_ONCE = 1000
# A card that was read longer ago than so many others of the same inspection says nothing of this one.
CARDS_BEFORE = 20


class CardReturns:
    """The tables `returns` and `receipts`. How much was read is asked of the other two."""

    def __init__(self, database: JournalledDatabase, files: CardFiles, unread: UnreadFiles) -> None:
        self._database, self._sql = database, database.sql
        self._files, self._unread = files, unread

    # Reading

    def open(
        self,
        return_id: UUID,
        opening: CardReturnOpen,
        unit: str | None,
        source: str,
        wire: bytes | None = None,
        cut: Cut | None = None,
    ) -> None:
        """`wire` is the opening as it was encoded before, if it was: what is sent stays the same (I8), and so
        does the `cut` of the manifest."""
        wire, cut = wire or msgspec.json.encode(opening), cut or CUT
        with self._database.transaction():
            self._database.note(return_id, Opened(wire=msgspec.Raw(wire), unit=unit, source=source, cut=cut))
            self._sql.execute(
                "INSERT INTO returns(id, state, unit, inspection_id, revision_id, opening, source,"
                " started_at, part_files, short_part) VALUES(?,'reading',?,?,?,?,?,?,?,?)",
                (
                    str(return_id),
                    unit,
                    _text(opening.inspection_id),
                    _text(opening.revision_id),
                    wire,
                    source,
                    opening.started_at.isoformat(),
                    *cut,
                ),
            )

    def note_listed(self, return_id: UUID, names: list[bytes]) -> None:
        """Names that the card listed before anything was read; in the journal alone, inside a transaction."""
        self._database.note(return_id, Listed(names))

    def listed(self, return_id: UUID) -> Iterator[bytes]:
        """The names that were noted as listed."""
        for listed in self._database.journalled(return_id, Listed):
            yield from listed.names

    def close(self, return_id: UUID, ending: Ending, finished_at: datetime | None = None) -> None:
        """Reading has ended: from here on the card may be removed."""
        files, size = self._files.totals(return_id)
        unread = self._unread.count(return_id)
        finished_at = finished_at or now()
        closed = Closed(files=files, unread=unread, ending=ending, finished_at=finished_at)
        with self._database.transaction():
            self._database.note(return_id, closed)
            self._sql.execute(
                "UPDATE returns SET state='copied', finished_at=?, complete=?, extent=?, extent_note=?,"
                " confirmed_by=?, aside=?, files=?, bytes=?, manifest_sha256=?"
                " WHERE id=? AND state='reading'",
                (
                    finished_at.isoformat(),
                    ending.complete,
                    ending.extent,
                    ending.extent_note,
                    ending.confirmed_by,
                    msgspec.json.encode(ending.aside).decode("utf-8"),
                    files,
                    size,
                    self._files.manifest_digest(return_id),
                    str(return_id),
                ),
            )

    def confirm(self, return_id: UUID, person: str) -> None:
        """A person says of a return that is read that it was a whole card."""
        with self._database.transaction():
            if self._database.has_journal(return_id):
                self._database.note(return_id, Confirmed(person))
            self._sql.execute(
                "UPDATE returns SET confirmed_by=? WHERE id=? AND state<>'reading'", (person, str(return_id))
            )

    def forget(self, return_id: UUID) -> None:
        """Before the return is read back from its journal, in the same transaction."""
        self._sql.execute("DELETE FROM returns WHERE id=?", (str(return_id),))

    # Looking

    def find(self, return_id: UUID) -> CardReturn | None:
        row = self._sql.execute("SELECT * FROM returns WHERE id=?", (str(return_id),)).fetchone()
        return row and card_return_of(row)

    def get(self, return_id: UUID) -> CardReturn:
        """As `find`, of a return that is known to be there."""
        card_return = self.find(return_id)
        assert card_return is not None, return_id
        return card_return

    def shown(self, return_id: UUID) -> CardReturn:
        """A return with what a person must know of it: with `unread_files` and `lacking`, counted over the
        tables of files, unread files and originals in one statement."""
        return card_return_of(self._sql.execute(f"{_SHOWN} WHERE r.id=?", (str(return_id),)).fetchone())

    def newest(self, limit: int = 50) -> list[CardReturn]:
        """As `shown`, the newest first (UUIDv7 ids ascend with their making)."""
        rows = self._sql.execute(f"{_SHOWN} ORDER BY r.id DESC LIMIT ?", (limit,)).fetchall()
        return [card_return_of(row) for row in rows]

    def in_state(self, state: State) -> list[CardReturn]:
        """The oldest first (UUIDv7 ids ascend with their making)."""
        rows = self._sql.execute("SELECT * FROM returns WHERE state=? ORDER BY id", (state,)).fetchall()
        return [card_return_of(row) for row in rows]

    def complete_before(
        self, return_id: UUID, inspection_id: UUID | None
    ) -> Iterator[tuple[UUID, CardReturnOpen]]:
        """Complete returns of the inspection that were read before, the newest first."""
        rows = self._sql.execute(
            "SELECT id, opening FROM returns WHERE inspection_id=? AND id<? AND complete"
            " ORDER BY id DESC LIMIT ?",
            (str(inspection_id), str(return_id), CARDS_BEFORE),
        )
        for row in rows:
            yield UUID(row["id"]), msgspec.json.decode(row["opening"], type=CardReturnOpen)

    def waiting(self) -> tuple[int, int]:
        """Files and bytes of returns without a receipt."""
        files, size = self._sql.execute(
            "SELECT coalesce(sum(files),0), coalesce(sum(bytes),0) FROM returns WHERE state='copied'"
        ).fetchone()
        return int(files), int(size)

    # Pushing

    def put_off(self, return_id: UUID, until: float, trouble: str) -> None:
        self._sql.execute(
            "UPDATE returns SET tries=tries+1, next_try=?, trouble=? WHERE id=?",
            (until, trouble, str(return_id)),
        )

    def hold(self, return_id: UUID, receipt: bytes, verified_at: datetime) -> None:
        """Keep the receipt; a part of `Outbox.hold`."""
        self._sql.execute(
            "INSERT OR REPLACE INTO receipts VALUES(?,?,?)",
            (str(return_id), receipt, verified_at.isoformat()),
        )
        self._sql.execute("UPDATE returns SET state='held', trouble=NULL WHERE id=?", (str(return_id),))

    def with_receipt(self, after: UUID | None = None) -> list[tuple[UUID, str]]:
        """The next card returns for which there is a receipt here, by id: their ids and manifest digests."""
        rows = self._sql.execute(
            "SELECT id, manifest_sha256 FROM returns WHERE state='held' AND id>? ORDER BY id LIMIT ?",
            (str(after) if after else "", AT_ONCE),
        )
        return [(UUID(row["id"]), row["manifest_sha256"]) for row in rows]

    def take_back(self, return_id: UUID) -> None:
        """The return waits for a receipt again. The one that it had is kept: it proves what was received."""
        self._sql.execute(
            "UPDATE returns SET state='copied', tries=0, next_try=0, trouble=? WHERE id=? AND state='held'",
            (LOST, str(return_id)),
        )

    def rename(self, return_id: UUID, to: UUID) -> None:
        """The return has another id from here on, under which nothing was tried yet."""
        self._sql.execute(
            "UPDATE returns SET id=?, tries=0, next_try=0, trouble=NULL WHERE id=?",
            (str(to), str(return_id)),
        )


_SHOWN = """
SELECT r.*, (SELECT count(*) FROM unread u WHERE u.return_id=r.id) AS unread_files,
 CASE WHEN r.state='copied' THEN
  (SELECT count(DISTINCT f.sha256) FROM files f JOIN originals o ON o.sha256=f.sha256
   WHERE f.return_id=r.id AND o.spooled_at IS NULL AND o.held_at IS NULL
   AND o.ahead_at IS NULL) ELSE 0 END AS lacking
FROM returns r"""


def _text(value: UUID | None) -> str | None:
    return None if value is None else str(value)

"""SQL of card returns: what was read, what was said with it, and how far it has travelled."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import TypeVar
from uuid import UUID

import msgspec

from agent.clock import now
from agent.outbox.card_return import CardReturn, State, card_return_of
from agent.outbox.cards import Cards
from agent.outbox.database import transaction
from agent.outbox.journal import Closed, Confirmed, Ending, Journals, NotRead, Opened, Record, Said, Took
from agent.outbox.originals import Originals
from agent.outbox.pictures import Pictures
from agent.outbox.refused import Refusals
from agent.outbox.sending import CUT, Cut, Sending
from agent.outbox.spoken import Spoken
from service.contract.cards import (
    CardReturnOpen,
    ManifestFile,
    UnreadFile,
    exact_path,
    manifest_digest,
)
from service.contract.failpoints import reach
from service.contract.work import StatementIn

# What cannot be looked at whole is kept, but never counted as seen; the service counts the same way.
NO_PICTURE = frozenset({"zero_length", "truncated", "not_an_image", "slate"})

R = TypeVar("R", bound=Record)


class Returns(Originals, Sending, Cards, Refusals, Spoken):
    """All access of one thread to card returns; `connection` belongs to that thread.

    With journals, what is read is written there too, before the outbox commits it.
    """

    def __init__(self, connection: sqlite3.Connection, journals: Journals | None = None) -> None:
        super().__init__(connection)
        self.pictures = Pictures(connection)
        self.journals = journals
        self._noted: dict[UUID, list[Record]] = {}

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """One write transaction; joins the one that is open."""
        if self._sql.in_transaction:
            yield
            return
        try:
            with transaction(self._sql):
                yield
                self._write_journals()
        finally:
            self._noted.clear()

    def note(self, return_id: UUID, record: Record) -> None:
        """For the journal alone; only inside `transaction`."""
        if self.journals is not None:
            self._noted.setdefault(return_id, []).append(record)

    def journalled(self, return_id: UUID, kind: type[R]) -> Iterator[R]:
        """The records of one kind in the return's journal; none without a journal."""
        if self.journals is not None and self.journals.path(return_id).exists():
            yield from (one for one in self.journals.read(return_id) if isinstance(one, kind))

    def _write_journals(self) -> None:
        for return_id, records in self._noted.items():
            assert self.journals is not None
            self.journals.append(return_id, records)
            if any(isinstance(record, Took) for record in records):
                reach("read.journalled")

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
        with self.transaction():
            self.note(return_id, Opened(wire=msgspec.Raw(wire), unit=unit, source=source, cut=cut))
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

    def add_file(self, return_id: UUID, ordinal: int, file: ManifestFile, wire: bytes | None = None) -> None:
        """`ordinal` counts from 1 without gaps: parts are cut by it. `wire` as in `open`."""
        place = file.placement
        picture = file.kind in ("still", "video") and not NO_PICTURE & set(file.marks)
        wire = wire or msgspec.json.encode(file)
        with self.transaction():
            self.note(return_id, Took(ordinal, msgspec.Raw(wire)))
            self._sql.execute(
                "INSERT INTO files VALUES(?,?,?,?,?,?,?,?,?,?)",
                (
                    str(return_id),
                    ordinal,
                    exact_path(file.path, file.path_bytes),
                    file.sha256,
                    file.size,
                    place.location_key if place else None,
                    file.kind,
                    picture,
                    " ".join(file.marks),
                    wire,
                ),
            )

    def replace_file(
        self, return_id: UUID, ordinal: int, file: ManifestFile, wire: bytes | None = None
    ) -> None:
        with self.transaction():
            self._sql.execute("DELETE FROM files WHERE return_id=? AND ordinal=?", (str(return_id), ordinal))
            self.add_file(return_id, ordinal, file, wire)

    def add_unread(self, return_id: UUID, ordinal: int, unread: UnreadFile) -> None:
        """`ordinal` counts from 1; one that is given again replaces what was said under it."""
        with self.transaction():
            self.note(return_id, NotRead(ordinal, unread.path, unread.why))
            self._sql.execute(
                "INSERT OR REPLACE INTO unread VALUES(?,?,?,?)",
                (str(return_id), ordinal, unread.path, unread.why),
            )

    def add_statement(self, return_id: UUID, statement: StatementIn, wire: bytes | None = None) -> None:
        wire = wire or msgspec.json.encode(statement)
        with self.transaction():
            self.note(return_id, Said(msgspec.Raw(wire)))
            self._sql.execute(
                "INSERT OR REPLACE INTO statements(id, return_id, wire) VALUES(?,?,?)",
                (str(statement.id), str(return_id), wire),
            )

    def close(self, return_id: UUID, ending: Ending, finished_at: datetime | None = None) -> None:
        """Reading has ended: from here on the card may be removed."""
        files, size, unread = self._sql.execute(
            "SELECT count(*), coalesce(sum(size),0),"
            " (SELECT count(*) FROM unread WHERE return_id=?1) FROM files WHERE return_id=?1",
            (str(return_id),),
        ).fetchone()
        finished_at = finished_at or now()
        closed = Closed(files=files, unread=unread, ending=ending, finished_at=finished_at)
        with self.transaction():
            self.note(return_id, closed)
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
                    self.manifest_digest(return_id),
                    str(return_id),
                ),
            )

    def confirm(self, return_id: UUID, person: str) -> None:
        """A person says of a return that is read that it was a whole card."""
        with self.transaction():
            if self.journals is not None and self.journals.path(return_id).exists():
                self.note(return_id, Confirmed(person))
            self._sql.execute(
                "UPDATE returns SET confirmed_by=? WHERE id=? AND state<>'reading'", (person, str(return_id))
            )

    def forget(self, return_id: UUID) -> None:
        """Remove a return that is read back from its journal in the same transaction."""
        for table in ("files", "unread", "statements"):
            self._sql.execute(f"DELETE FROM {table} WHERE return_id=?", (str(return_id),))  # noqa: S608
        self._sql.execute("DELETE FROM returns WHERE id=?", (str(return_id),))

    def manifest_digest(self, return_id: UUID) -> str:
        rows = self._sql.execute(
            "SELECT path_bytes, sha256, size FROM files WHERE return_id=? ORDER BY ordinal", (str(return_id),)
        )
        # The contract's function takes a list; it only walks it, so a cursor keeps memory flat.
        return manifest_digest(((bytes(p), d, s) for p, d, s in rows))  # type: ignore[arg-type]

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
        """A return with what a person must know of it: with `unread_files` and `lacking`."""
        return card_return_of(self._sql.execute(f"{_SHOWN} WHERE r.id=?", (str(return_id),)).fetchone())

    def newest(self, limit: int = 50) -> list[CardReturn]:
        """As `shown`, the newest first (UUIDv7 ids ascend with their making)."""
        rows = self._sql.execute(f"{_SHOWN} ORDER BY r.id DESC LIMIT ?", (limit,)).fetchall()
        return [card_return_of(row) for row in rows]

    def in_state(self, state: State) -> list[CardReturn]:
        """The oldest first (UUIDv7 ids ascend with their making)."""
        rows = self._sql.execute("SELECT * FROM returns WHERE state=? ORDER BY id", (state,)).fetchall()
        return [card_return_of(row) for row in rows]

    def files(self, return_id: UUID) -> Iterator[sqlite3.Row]:
        yield from self._sql.execute(
            "SELECT * FROM files WHERE return_id=? ORDER BY ordinal", (str(return_id),)
        )

    def stills(self, return_id: UUID) -> list[tuple[int, ManifestFile]]:
        """Stills with their ordinals, by name, for placing them in the prepared order."""
        rows = self._sql.execute(
            "SELECT ordinal, wire FROM files WHERE return_id=? AND kind='still' ORDER BY path_bytes",
            (str(return_id),),
        )
        return [(row["ordinal"], msgspec.json.decode(row["wire"], type=ManifestFile)) for row in rows]

    def picture_times(self, return_id: UUID) -> Iterator[str]:
        """DateTimeOriginal of each picture that has one, as it stands in the file."""
        rows = self._sql.execute(
            "SELECT json_extract(wire, '$.picture.exif.DateTimeOriginal') AS taken FROM files"
            " WHERE return_id=? AND kind='still'",
            (str(return_id),),
        )
        yield from (row["taken"] for row in rows if row["taken"])

    def count_stills(self, return_id: UUID) -> int:
        found = self._sql.execute(
            "SELECT count(*) FROM files WHERE return_id=? AND kind='still'", (str(return_id),)
        ).fetchone()
        return int(found[0])

    def unread(self, return_id: UUID) -> list[UnreadFile]:
        rows = self._sql.execute(
            "SELECT path, why FROM unread WHERE return_id=? ORDER BY ordinal", (str(return_id),)
        )
        return [UnreadFile(path=row["path"], why=row["why"]) for row in rows]

    def statements(self, return_id: UUID) -> list[StatementIn]:
        """All that were said with it, those that were refused among them: the commit stays the same (I8)."""
        rows = self._sql.execute(
            "SELECT wire FROM statements WHERE return_id=? ORDER BY id", (str(return_id),)
        )
        return [msgspec.json.decode(row["wire"], type=StatementIn) for row in rows]

    def by_location(self, return_id: UUID) -> dict[str | None, tuple[int, int]]:
        """Location key -> pictures that count, and those of them that no receipt lists yet; by digest."""
        rows = self._sql.execute(
            "SELECT f.location, count(DISTINCT f.sha256) AS found,"
            " count(DISTINCT CASE WHEN o.held_at IS NULL THEN f.sha256 END) AS fresh"
            " FROM files f LEFT JOIN originals o USING(sha256) WHERE f.return_id=? AND f.picture"
            " GROUP BY f.location",
            (str(return_id),),
        )
        return {row["location"]: (row["found"], row["fresh"]) for row in rows}

    def unplaced(self, return_id: UUID) -> Iterator[sqlite3.Row]:
        """Pictures that stand at no location, in the order of the card."""
        yield from self._sql.execute(
            "SELECT path_bytes, wire FROM files WHERE return_id=? AND location IS NULL AND picture"
            " ORDER BY ordinal",
            (str(return_id),),
        )

    def marked(self, return_id: UUID) -> list[tuple[str | None, bytes, str]]:
        """Location, name and marks of files that are not whole pictures."""
        rows = self._sql.execute(
            "SELECT location, path_bytes, marks FROM files WHERE return_id=? AND marks<>'' ORDER BY ordinal",
            (str(return_id),),
        )
        return [(row["location"], bytes(row["path_bytes"]), row["marks"]) for row in rows]

    # Pushing

    def parts(self, return_id: UUID) -> int:
        return len(self._ends(return_id))

    def part_body(self, return_id: UUID, part: int) -> bytes:
        """The body of part `part`, from 1; always the same bytes (I8). The first brings the opening."""
        rows = self._sql.execute(
            "SELECT wire FROM files WHERE return_id=? AND ordinal>? AND ordinal<=? ORDER BY ordinal",
            (str(return_id), *self._ordinals(return_id, part)),
        )
        opening = b""
        if part == 1:
            opening = b'"opening":' + self.get(return_id).opening_wire + b","
        return b"{" + opening + b'"files":[' + b",".join(row["wire"] for row in rows) + b"]}"

    def put_off(self, return_id: UUID, until: float, trouble: str) -> None:
        self._sql.execute(
            "UPDATE returns SET tries=tries+1, next_try=?, trouble=? WHERE id=?",
            (until, trouble, str(return_id)),
        )

    def hold(self, return_id: UUID, receipt: bytes, at: datetime | None = None) -> None:
        """A verified receipt lists every file of the return; `at` is the service's time (without: ours)."""
        noted_at = now()
        with self.transaction():
            self._sql.execute(
                "INSERT OR REPLACE INTO receipts VALUES(?,?,?)",
                (str(return_id), receipt, noted_at.isoformat()),
            )
            self._sql.execute(
                "UPDATE originals SET held_at=coalesce(held_at,?), held_noted=coalesce(held_noted,?)"
                " WHERE sha256 IN (SELECT sha256 FROM files WHERE return_id=?)",
                ((at or noted_at).isoformat(), noted_at.isoformat(), str(return_id)),
            )
            self._sql.execute("UPDATE returns SET state='held', trouble=NULL WHERE id=?", (str(return_id),))
        card_return = self.find(return_id)
        if card_return is not None and (card_id := card_return.opening.card_id) is not None:
            self.note_card_back(card_id)
        # Only now that the receipt is on the disk: until then the journal is the second witness.
        if self.journals is not None:
            self.journals.remove(return_id)

    def waiting(self) -> tuple[int, int]:
        """Files and bytes of returns without a receipt."""
        files, size = self._sql.execute(
            "SELECT coalesce(sum(files),0), coalesce(sum(bytes),0) FROM returns WHERE state='copied'"
        ).fetchone()
        return int(files), int(size)


_SHOWN = """
SELECT r.*, (SELECT count(*) FROM unread u WHERE u.return_id=r.id) AS unread_files,
 CASE WHEN r.state='copied' THEN
  (SELECT count(DISTINCT f.sha256) FROM files f JOIN originals o ON o.sha256=f.sha256
   WHERE f.return_id=r.id AND o.spooled_at IS NULL AND o.held_at IS NULL
   AND o.ahead_at IS NULL) ELSE 0 END AS lacking
FROM returns r"""


def _text(value: UUID | None) -> str | None:
    return None if value is None else str(value)

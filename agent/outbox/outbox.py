"""The outbox of a workstation: its SQLite file, and a class for each kind of thing that it holds."""

from __future__ import annotations

from contextlib import AbstractContextManager
from datetime import datetime
from pathlib import Path
from uuid import UUID

from agent.clock import now
from agent.outbox.cache import Cache
from agent.outbox.database import Connection, open_database
from agent.outbox.files import CardFiles
from agent.outbox.insertions import ReadInsertions
from agent.outbox.journal import Journals
from agent.outbox.journalled import JournalledDatabase
from agent.outbox.originals import Originals
from agent.outbox.parts import ManifestParts
from agent.outbox.pictures import Pictures
from agent.outbox.preparations import Preparations
from agent.outbox.returns import CardReturns
from agent.outbox.sending import SendingState
from agent.outbox.spoken import SpokenStatements
from agent.outbox.statements import CardStatements
from agent.outbox.unread import UnreadFiles


class Outbox:
    """All access of one thread to the outbox.

    Each table is written by one of these alone. Where a statement must look at several tables, for 50,000
    files at once, it stands with the table that it writes, or in `pictures`, which writes none, and the
    docstring says so. What changes several of them together is a method here, or of `agent.outbox.again` and
    `agent.outbox.rebuilding`, in one transaction.
    """

    def __init__(self, sql: Connection, journals: Journals | None = None) -> None:
        """With journals, what is read is written there too, before the outbox commits it."""
        self.database = database = JournalledDatabase(sql, journals)
        self.cache = Cache(database)
        self.files = CardFiles(database)
        self.unread = UnreadFiles(database)
        self.returns = CardReturns(database, self.files, self.unread)
        self.parts = ManifestParts(self.returns, self.files)
        self.statements = CardStatements(database)
        self.spoken = SpokenStatements(database)
        self.originals = Originals(database)
        self.pictures = Pictures(database)
        self.sending = SendingState(database)
        self.preparations = Preparations(database)
        self.insertions = ReadInsertions(database)

    @classmethod
    def at(cls, path: Path, journals: Journals | None = None, any_thread: bool = False) -> Outbox:
        """Open the file at `path`; raises as `open_database` does."""
        return cls(open_database(path, any_thread), journals)

    @property
    def journals(self) -> Journals | None:
        return self.database.journals

    @property
    def connection(self) -> Connection:
        """It belongs to the thread that opened the outbox."""
        return self.database.sql

    def close(self) -> None:
        self.connection.close()

    def transaction(self) -> AbstractContextManager[None]:
        """A write transaction over all of them, or a part of the one that is open."""
        return self.database.transaction()

    def without_journals(self) -> Outbox:
        """The same rows over the same connection, for what the journals hold already."""
        return Outbox(self.connection)

    def hold(self, return_id: UUID, receipt: bytes, at: datetime | None = None) -> None:
        """A verified receipt lists every file of the return; `at` is the service's time (without: ours)."""
        noted_at = now()
        with self.transaction():
            self.returns.hold(return_id, receipt, noted_at)
            self.originals.note_return_held(return_id, at or noted_at, noted_at)
            self.sending.forget(return_id)
        card_id = self.returns.get(return_id).opening.card_id
        if card_id is not None:
            self.preparations.note_card_back(card_id)
        # Only now that the receipt is on the disk: until then the journal is the second witness.
        if self.journals is not None:
            self.journals.remove(return_id)

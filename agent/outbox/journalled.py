"""The outbox's database with its journals: what a transaction notes for them is on the disk first."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TypeVar
from uuid import UUID

from agent.outbox.database import Connection, transaction
from agent.outbox.journal import Journals, Record, Took
from service.contract.failpoints import reach

R = TypeVar("R", bound=Record)


class JournalledDatabase:
    """The connection of one thread, over which everything of an outbox works.

    Without journals only rows are written: so a journal is read back into rows and not into itself.
    """

    def __init__(self, sql: Connection, journals: Journals | None) -> None:
        self.sql, self.journals = sql, journals
        self._noted: dict[UUID, list[Record]] = {}

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """A write transaction, or a part of the one that is open."""
        if self.sql.in_transaction:
            yield
            return
        try:
            with transaction(self.sql):
                yield
                self._write_journals()
        finally:
            self._noted.clear()

    def note(self, return_id: UUID, record: Record) -> None:
        """For the journal alone; only inside `transaction`."""
        if self.journals is not None:
            self._noted.setdefault(return_id, []).append(record)

    def has_journal(self, return_id: UUID) -> bool:
        return self.journals is not None and self.journals.path(return_id).exists()

    def journalled(self, return_id: UUID, kind: type[R]) -> Iterator[R]:
        """The records of one kind in the return's journal; none without a journal."""
        if self.journals is not None and self.has_journal(return_id):
            yield from (record for record in self.journals.read(return_id) if isinstance(record, kind))

    def _write_journals(self) -> None:
        for return_id, records in self._noted.items():
            assert self.journals is not None
            self.journals.append(return_id, records)
            if any(isinstance(record, Took) for record in records):
                reach("read.journalled")

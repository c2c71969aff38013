"""What was pulled from the service, kept so that the workstation works for days without it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from uuid import UUID

import msgspec

from agent.clock import now
from agent.outbox.journalled import JournalledDatabase
from service.contract.plan_document import PlanDocument, decode_plan
from service.contract.work import InspectionBrief, RevisionBrief, Worklist

SERVICE_TIME = "service-time"


@dataclass(frozen=True, slots=True)
class Document:
    etag: str | None
    body: bytes
    fetched_at: datetime


class Cache:
    """The tables `documents` and `revisions`."""

    def __init__(self, database: JournalledDatabase) -> None:
        self._sql = database.sql

    def document(self, name: str) -> Document | None:
        row = self._sql.execute("SELECT * FROM documents WHERE name=?", (name,)).fetchone()
        return row and Document(row["etag"], row["body"], datetime.fromisoformat(row["fetched_at"]))

    def keep(self, name: str, body: bytes, etag: str | None = None) -> None:
        self._sql.execute(
            "INSERT OR REPLACE INTO documents VALUES(?,?,?,?)", (name, etag, body, now().isoformat())
        )

    def restore_document(self, name: str, body: bytes) -> None:
        """From an outbox that was set aside; what was fetched since stays as it is."""
        self._sql.execute(
            "INSERT OR IGNORE INTO documents VALUES(?,NULL,?,?)", (name, body, now().isoformat())
        )

    def note_fetched(self, name: str) -> None:
        """The service says that the cached one still holds."""
        self._sql.execute("UPDATE documents SET fetched_at=? WHERE name=?", (now().isoformat(), name))

    def worklist(self) -> Worklist | None:
        document = self.document("worklist")
        return None if document is None else msgspec.json.decode(document.body, type=Worklist)

    def inspection(self, inspection_id: UUID) -> InspectionBrief | None:
        worklist = self.worklist()
        found = worklist.inspections if worklist else []
        return next((inspection for inspection in found if inspection.id == inspection_id), None)

    def holds_revision(self, brief: RevisionBrief) -> bool:
        found = self._sql.execute(
            "SELECT 1 FROM revisions WHERE id=? AND digest=?", (str(brief.id), brief.digest)
        )
        return found.fetchone() is not None

    def keep_revision(self, brief: RevisionBrief, body: bytes) -> None:
        self._sql.execute(
            "INSERT OR REPLACE INTO revisions VALUES(?,?,?,?,?)",
            (str(brief.id), brief.digest, f"{brief.plan} {brief.label}", body, now().isoformat()),
        )

    def restore_revision(self, revision_id: str, digest: str, label: str, body: bytes, fetched: str) -> None:
        """From an outbox that was set aside, where it still is what its digest says."""
        if sha256(body).hexdigest() == digest:
            self._sql.execute(
                "INSERT OR IGNORE INTO revisions VALUES(?,?,?,?,?)",
                (revision_id, digest, label, body, fetched),
            )

    def plan(self, revision_id: UUID) -> PlanDocument | None:
        row = self._sql.execute(
            "SELECT body FROM revisions WHERE id=? ORDER BY fetched_at DESC", (str(revision_id),)
        ).fetchone()
        return None if row is None else decode_plan(row["body"])

    def held_revisions(self) -> list[tuple[UUID, str]]:
        rows = self._sql.execute("SELECT DISTINCT id, label FROM revisions ORDER BY label")
        return [(UUID(row["id"]), row["label"]) for row in rows]

    def terms(self) -> dict[str, str]:
        """`list:code` -> word, from the pulled vocabulary; empty when none was pulled."""
        return self._texts("vocabulary")

    def cautions(self) -> dict[str, str]:
        """Caution id -> text."""
        return self._texts("cautions")

    def _texts(self, name: str) -> dict[str, str]:
        document = self.document(name)
        return {} if document is None else msgspec.json.decode(document.body, type=dict[str, str])

    def clock_offset(self) -> float | None:
        """Seconds that the service's clock is ahead of this workstation's, as last seen."""
        document = self.document("clock-offset")
        return None if document is None else float(document.body)

    def heard(self) -> datetime | None:
        """The service's time as it last said it; None: never. This workstation's clock has no part in it."""
        document = self.document(SERVICE_TIME)
        return None if document is None else datetime.fromisoformat(document.body.decode("ascii"))

    def note_heard(self, at: datetime) -> None:
        """The service's own time, as it has just said it."""
        self.keep(SERVICE_TIME, at.isoformat().encode("ascii"))

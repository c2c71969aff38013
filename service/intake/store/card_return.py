"""A card return as its row tells of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID


@dataclass(frozen=True, slots=True, kw_only=True)
class CardReturn:
    """A card that came back and was read once; open until `committed_at`.

    `opening` is the request as it was sent: it may name what is not known here, which then is None.
    `not_yet_verified`: digests of large files that it waits for; `refused`: its refused statements, as the
    wire has them.
    """

    id: UUID
    site_id: UUID
    site: str
    time_zone: str
    agent_id: UUID
    agent: str
    card_id: UUID | None
    inspection_id: UUID | None
    revision_id: UUID | None
    profile: str
    scope: str | None
    person: str | None
    shift: str | None
    volume: Any
    opening: dict[str, Any]
    started_at: datetime
    finished_at: datetime | None
    opened_at: datetime
    committed_at: datetime | None
    manifest_sha256: str | None
    complete: bool | None
    extent: str | None
    extent_note: str | None
    confirmed_by: str | None
    aside: list[str]
    files: int
    files_new: int
    bytes: int
    bytes_new: int
    not_placed: int
    unread: list[Any]
    remarks: list[str]
    statements: list[UUID]
    not_yet_verified: list[str]
    refused: list[Any]

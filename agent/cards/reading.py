"""Reads a card that came back: every file, whole, in one pass, into spool and outbox.

Nothing on the card is changed. A file that cannot be read is named and the rest goes in (I7).
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from uuid import UUID

import msgspec

from agent.cards.copying import Copied, Copier, Failed
from agent.cards.marker import MARKER_NAME, Marker
from agent.cards.walking import Entry, Survey, Walk, readable
from agent.errors import AgentError
from agent.locking import lock
from agent.outbox.database import now
from agent.outbox.returns import Returns
from agent.outbox.spool import Spool
from agent.profiles.mapping import Placer
from agent.profiles.schema import Profile
from agent.profiles.tree import OrderedPicture
from agent.settings import State
from service.contract.cards import (
    CardReturnOpen,
    ManifestFile,
    Mark,
    PlacementClaim,
    UnreadFile,
    VolumeFacts,
)
from service.contract.wire import new_id
from service.contract.work import StatementIn

# One thread reads and hashes while the other waits for its fsync; more would not help a card reader.
THREADS = 2
AHEAD = 8
FILES_PER_COMMIT = 200
BYTES_PER_COMMIT = 64 * 1024 * 1024


class ReadingStopped(AgentError):
    """The agent was asked to end while it read a card."""


@dataclass
class Progress:
    """What a screen shows while a card is read."""

    files: int = 0
    size: int = 0
    current: str = ""
    stopping: Callable[[], bool] = lambda: False

    def add_bytes(self, count: int) -> None:
        self.size += count


@dataclass
class Card:
    """A card in the slot and what is known of it. `placer` None: no inspection, nothing can be placed."""

    root: Path
    profile: Profile
    site: str
    marker: Marker | None = None
    unit: str | None = None
    inspection_id: UUID | None = None
    revision_id: UUID | None = None
    placer: Placer | None = None
    scope: str | None = None
    person: str | None = None
    shift: str | None = None
    foreign: bool = False
    order: list[OrderedPicture] = field(default_factory=list)
    statements: list[StatementIn] = field(default_factory=list)

    def opening(self, started_at: datetime) -> CardReturnOpen:
        return CardReturnOpen(
            site=self.site,
            profile=self.profile.code,
            started_at=started_at,
            card_id=self.marker.card_id if self.marker and not self.foreign else None,
            inspection_id=self.inspection_id,
            revision_id=self.revision_id,
            scope=self.scope,
            person=self.person,
            shift=self.shift,
            volume=VolumeFacts(label=self.root.name or None),
        )


def read_card(
    state: State, returns: Returns, spool: Spool, card: Card, found: Survey, progress: Progress
) -> UUID:
    """Read the whole card as a new card return, ready to push; its id.

    A process that dies here leaves a return that `close_interrupted` turns into an incomplete one. Raises
    SpoolError when the bytes cannot be stored; the return is then closed as incomplete.
    """
    return_id = new_id()
    with lock(state.locks / f"{return_id}.lock"):
        with returns.transaction():
            returns.open(return_id, card.opening(now()), card.unit, str(card.root))
        reader = _Reader(returns, spool, card, return_id, progress)
        copier = Copier(state.database, spool, progress.add_bytes)
        whole = False
        try:
            reader.take(_copied(copier, Walk(card.root), card.profile, reader))
            whole = True
        finally:
            copier.close()
            reader.finish(whole)
        row = returns.one(return_id)
        if row is not None and row["complete"]:
            returns.note_taken(taken_key(card.marker, found), return_id)
    (state.locks / f"{return_id}.lock").unlink(missing_ok=True)
    return return_id


def taken_key(marker: Marker | None, found: Survey) -> str:
    """What makes a card in a slot the one that was read already: its id and its listing."""
    return f"{marker.card_id if marker else 'unmarked'} {found.fingerprint}"


def close_interrupted(state: State, returns: Returns, spool: Spool) -> list[UUID]:
    """Close returns whose reading process died: what was copied is pushed, marked as not complete."""
    closed = []
    for row in returns.in_state("reading"):
        return_id = UUID(row["id"])
        with lock(state.locks / f"{return_id}.lock") as ours:
            if not ours:
                continue
            spool.settle()
            with returns.transaction():
                missing = UnreadFile(
                    path=".", why="reading was broken off; the rest of the card is not known"
                )
                returns.add_unread(return_id, 0, missing)
                returns.close(return_id, complete=False, skipped=0)
            closed.append(return_id)
        (state.locks / f"{return_id}.lock").unlink(missing_ok=True)
    return closed


def _copied(copier: Copier, walk: Walk, profile: Profile, reader: _Reader) -> Iterator[Copied | Failed]:
    """Results in the order of the walk, a few files ahead."""
    waiting: deque[Future[Copied | Failed]] = deque()
    with ThreadPoolExecutor(THREADS, thread_name_prefix="copy") as pool:
        try:
            for entry in walk:
                if reader.is_own(entry):
                    continue
                waiting.append(pool.submit(copier.copy, entry, profile.kind_of(readable(entry.name)[0])))
                if len(waiting) >= AHEAD:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            reader.skipped = walk.skipped
            pool.shutdown(cancel_futures=True)


class _Reader:
    """Turns copied files into rows, a batch of them per transaction."""

    def __init__(
        self, returns: Returns, spool: Spool, card: Card, return_id: UUID, progress: Progress
    ) -> None:
        self.returns, self.spool, self.card, self.return_id = returns, spool, card, return_id
        self.progress = progress
        self.skipped = 0
        self._files = self._unread = 0
        self._batch: list[Copied | Failed] = []
        self._batch_size = 0

    def is_own(self, entry: Entry) -> bool:
        """Marker, picklists and job sheet as we wrote them; one that was changed is read like any file."""
        marker = self.card.marker
        if marker is None or entry.trouble is not None:
            return False
        name, odd = readable(entry.name)
        if odd is not None or self.card.foreign:
            return False
        if name == MARKER_NAME:
            return True
        written = marker.own_files.get(name)
        return written is not None and digest_of(Path(entry.path)) == written

    def take(self, results: Iterator[Copied | Failed]) -> None:
        for result in results:
            if self.progress.stopping():
                raise ReadingStopped(
                    "Reading was stopped.",
                    "What was copied is kept and pushed, marked as not complete. Do not wipe the card.",
                    "Put the card in again: what is here already is not copied twice.",
                )
            self.progress.files += 1
            self.progress.current = readable(result.entry.name)[0]
            self._batch.append(result)
            self._batch_size += result.size if isinstance(result, Copied) else 0
            if len(self._batch) >= FILES_PER_COMMIT or self._batch_size >= BYTES_PER_COMMIT:
                self._commit()
        self._commit()

    def _commit(self) -> None:
        """Bytes first: rows name only what the disk has confirmed."""
        self.spool.settle()
        with self.returns.transaction():
            for result in self._batch:
                if isinstance(result, Failed):
                    self._add_unread(result)
                else:
                    self._add_file(result)
        self._batch, self._batch_size = [], 0

    def _add_unread(self, failed: Failed) -> None:
        self._unread += 1
        path = readable(failed.entry.name)[0]
        self.returns.add_unread(self.return_id, self._unread, UnreadFile(path=path, why=failed.why))

    def _add_file(self, copied: Copied) -> None:
        if copied.fresh:
            self.returns.note_spooled(copied.digest, copied.size, copied.facts)
        self._files += 1
        self.returns.add_file(self.return_id, self._files, self._manifest_file(copied))

    def _manifest_file(self, copied: Copied) -> ManifestFile:
        path, path_bytes = readable(copied.entry.name)
        marks: list[Mark] = [*copied.facts.marks, *(["changed_while_read"] if copied.changed else [])]  # type: ignore[list-item]
        picture = copied.facts.picture
        placer = self.card.placer
        return ManifestFile(
            path=path,
            size=copied.size,
            sha256=copied.digest,
            kind=self.card.profile.kind_of(path),
            read_at=copied.read_at,
            modified=shown_time(copied.entry.modified_ns),
            path_bytes=path_bytes,
            marks=marks,
            picture=picture,
            placement=placer.place(path, picture.exif if picture else {}) if placer else None,
        )

    def finish(self, whole: bool) -> None:
        if whole and self._unread == 0:
            place_in_order(self.returns, self.return_id, self.card)
        if not whole:
            with suppress(OSError, sqlite3.Error):
                self._commit()
            self._add_broken_off()
        with self.returns.transaction():
            for statement in self.card.statements:
                self.returns.add_statement(self.return_id, statement)
            self.returns.close(self.return_id, whole and self._unread == 0, self.skipped)

    def _add_broken_off(self) -> None:
        self.returns.add_unread(
            self.return_id, 0, UnreadFile(path=".", why="reading was broken off; the rest is not known")
        )


def place_in_order(returns: Returns, return_id: UUID, card: Card) -> None:
    """Place by the prepared order, only when the stills on the card are exactly as many as it asks for."""
    rule = next((rule for rule in card.profile.rules if rule.source == "order"), None)
    if rule is None or not card.order or card.inspection_id is None:
        return
    if returns.count_stills(return_id) != len(card.order):
        return
    stills = returns.stills(return_id)
    # A picture that is cut off may have been taken again: then the count fits, the order may not.
    if any(file.marks or (file.placement and file.placement.location_key) for _, file in stills):
        return
    with returns.transaction():
        for (ordinal, file), place in zip(stills, card.order, strict=True):
            claim = PlacementClaim(
                inspection_id=card.inspection_id,
                location_key=place.location,
                rule="order",
                confidence=rule.confidence,
                element=place.element,
                element_last=place.element_last,
            )
            returns.replace_file(return_id, ordinal, msgspec.structs.replace(file, placement=claim))


def digest_of(path: Path) -> str | None:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def shown_time(modified_ns: int) -> str:
    """The file's time as this workstation shows it. FAT keeps no zone, so none is written (I9)."""
    try:
        # astimezone() would claim a zone that the card does not give.
        return datetime.fromtimestamp(modified_ns / 1e9).isoformat(timespec="milliseconds")  # noqa: DTZ006
    except (OverflowError, OSError, ValueError):
        return f"{modified_ns} ns"

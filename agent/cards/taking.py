"""Takes what was copied from a card into the outbox, and names what was not."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from uuid import UUID

import msgspec

from agent.cards.copying import Copied, Failed
from agent.cards.extent import NOT_CONFIRMED, Extent
from agent.cards.marker import MARKER_NAME, Marker
from agent.cards.placing import OnCard, place_by_slates
from agent.cards.walking import Entry, Survey, readable
from agent.errors import AgentError
from agent.outbox.database import OutboxError
from agent.outbox.journal import Ending
from agent.outbox.outbox import Outbox
from agent.outbox.room import Room, stopped
from agent.outbox.spool import Spool
from agent.pictures import marks_of
from agent.profiles.mapping import Placer
from agent.profiles.schema import Profile
from agent.profiles.tree import OrderedPicture
from service.contract.cards import (
    CardReturnOpen,
    ManifestFile,
    PlacementClaim,
    UnreadFile,
    VolumeFacts,
)
from service.contract.failpoints import reach
from service.contract.work import StatementIn

FILES_PER_COMMIT = 200
BYTES_PER_COMMIT = 64 * 1024 * 1024
# Rows and journal of one batch take less than this.
ROOM_FOR_ROWS = 4 * 1024 * 1024
NAMES_PER_LINE = 500
# The names of what was not read go in one request, of which the service takes 10 MB.
UNREAD_BYTES = 6_000_000
LONGEST_WHY = 300
LONGEST_NAME = 4096


@dataclass
class ReadingProgress:
    """What a screen shows while a card is read; `say` gets what a person must know meanwhile; `relieve` is
    called now and then while the spool's disk has no room."""

    files: int = 0
    size: int = 0
    current: str = ""
    stopping: Callable[[], bool] = lambda: False
    say: Callable[[str], None] = lambda text: None
    relieve: Callable[[], None] = lambda: None

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
    extent: Extent = NOT_CONFIRMED
    confirmed_by: str | None = None
    #: Of the medium when the card was looked at first (agent.cards.slots).
    insertion: str = ""
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

    def may_be_ours(self, name: bytes) -> bool:
        """Whether a file has the name of one that a preparation wrote onto the card."""
        return self.marker is not None and self.marker.names(readable(name))

    def is_ours(self, entry: Entry) -> bool:
        """Marker, picklists and job sheet as we wrote them; one that was changed is read like any file."""
        if self.marker is None or self.foreign or entry.trouble is not None:
            return False
        if not self.may_be_ours(entry.name):
            return False
        name = readable(entry.name)[0]
        return name == MARKER_NAME or digest_of(Path(entry.path)) == self.marker.own_files[name]


class Taker:
    """Turns results into rows, a batch of them per transaction."""

    def __init__(
        self,
        outbox: Outbox,
        spool: Spool,
        room: Room,
        card: Card,
        return_id: UUID,
        found: Survey,
        progress: ReadingProgress,
    ) -> None:
        self.outbox, self.spool, self.room = outbox, spool, room
        self.card, self.return_id, self.progress = card, return_id, progress
        #: Names of system files that were passed over.
        self.aside: list[bytes] = []
        self._files = self._unread = 0
        self._batch: list[Copied | Failed] = []
        self._batch_size = 0
        # In the order of the listing; what stays in it was not read.
        self._missing = dict.fromkeys(found.names)
        self._listed = found.files
        self._settled = 0

    def begin(self, opening: CardReturnOpen) -> None:
        """Open the return, with the listing in its journal: a killed reading can name what is missing too."""
        with self.outbox.transaction():
            self.outbox.returns.open(self.return_id, opening, self.card.unit, str(self.card.root))
            names = list(self._missing)
            for start in range(0, len(names), NAMES_PER_LINE):
                self.outbox.returns.note_listed(self.return_id, names[start : start + NAMES_PER_LINE])
        reach("read.opened")

    def take(self, results: Iterator[Copied | Failed | None]) -> None:
        """Note results as they come; what has come when the next takes long is noted at once, so that it
        can go to the service should the disk be full."""
        for result in results:
            if self.progress.stopping():
                raise stopped()
            if result is None:
                self._with_room(self._commit)
                continue
            self.progress.files += 1
            self.progress.current = readable(result.entry.name)[0]
            self._batch.append(result)
            self._batch_size += result.size if isinstance(result, Copied) else 0
            if len(self._batch) >= FILES_PER_COMMIT or self._batch_size >= BYTES_PER_COMMIT:
                self._with_room(self._commit)
        self._with_room(self._commit)

    def _with_room(self, step: Callable[[], None]) -> None:
        """Do a step that can be repeated; while the disk has no room for it, wait."""
        while True:
            try:
                return step()
            except (AgentError, OSError, OutboxError) as error:
                if not self.room.is_full(error):
                    raise
            self.room.wait_for(ROOM_FOR_ROWS, self.outbox.originals, was_full=True)

    def _commit(self) -> None:
        """Bytes first: rows name only what the disk has confirmed."""
        if not self._batch:
            return
        batch = self._batch
        try:
            self.spool.settle()
        except AgentError as error:
            # A second sync may answer well without having written: these files do not count as copied.
            if not self.room.is_full(error):
                self._batch = []
            raise
        reach("read.settled")
        files, unread = self._files, self._unread
        with self.outbox.transaction():
            for result in batch:
                if isinstance(result, Copied):
                    files += 1
                    self._add_file(files, result)
                if why := _why_not_read(result):
                    unread += 1
                    path = readable(result.entry.name)[0]
                    self.outbox.unread.add(self.return_id, unread, UnreadFile(path=path, why=why))
        self._files, self._unread = files, unread
        for result in batch:
            self._missing.pop(result.entry.name, None)
            self._settled += not self.card.may_be_ours(result.entry.name)
        self._batch, self._batch_size = [], 0
        reach("read.batch")

    def _add_file(self, ordinal: int, copied: Copied) -> None:
        if copied.fresh:
            self.outbox.originals.note_spooled(copied.digest, copied.size, copied.facts)
        self.outbox.files.add(self.return_id, ordinal, self._manifest_file(copied))

    def _manifest_file(self, copied: Copied) -> ManifestFile:
        path, path_bytes = readable(copied.entry.name)
        kind = self.card.profile.kind_of(path)
        marks = marks_of(kind, copied.facts)
        if copied.trouble is not None:
            marks.append(copied.trouble)
        picture = copied.facts.picture
        placer = self.card.placer
        return ManifestFile(
            path=path,
            size=copied.size,
            sha256=copied.digest,
            kind=kind,
            read_at=copied.read_at,
            modified=shown_time(copied.modified_ns),
            path_bytes=path_bytes,
            marks=marks,
            picture=picture,
            placement=placer.place(path, picture.exif if picture else {}) if placer else None,
        )

    def _place(self) -> None:
        """Placements that need all files of the card; without them the pictures stay unplaced."""
        try:
            if self._unread == 0:
                place_in_order(self.outbox, self.return_id, self.card)
            if (placer := self.card.placer) is not None:
                on_card = OnCard(self.card.root, self.card.profile, placer, self._missing)
                self._with_room(
                    lambda: place_by_slates(
                        self.outbox, self.spool, self.return_id, on_card, self.progress.stopping
                    )
                )
        except (AgentError, OSError, OutboxError):
            raise
        except Exception as error:
            self.progress.say(
                f"the pictures could not be placed ({type(error).__name__}); they are kept, at no location"
            )

    def finish(self, whole: bool, same_card: bool = True) -> bool:
        """Close the return; whether everything that the card listed was read. `same_card`: the medium in the
        slot is still the one that was looked at first."""
        reach("read.ending")
        if whole:
            self._place()
        else:
            with suppress(AgentError, OSError, OutboxError):
                self._commit()
        if not same_card:
            taken_out = "the card was taken out, or another put in, while it was read; do not wipe it"
            with self.outbox.transaction():
                self._unread += 1
                self.outbox.unread.add(self.return_id, self._unread, UnreadFile(path=".", why=taken_out))
        complete = whole and self._unread == 0 and not self._missing and not self._unnamed()
        if whole:
            self._with_room(lambda: self._close(complete, whole))
        else:
            self._close(complete, whole)
        reach("read.closed")
        return complete

    def _unnamed(self) -> int:
        """How many of the listed files were not read, beyond those whose names are known."""
        return max(0, self._listed - self._settled - len(self._missing))

    def _close(self, complete: bool, whole: bool) -> None:
        why = "was listed, and was not there when it was to be read" if whole else BROKEN_OFF
        with self.outbox.transaction():
            rest = not_read(self._missing, why, self._unnamed())
            for ordinal, file in enumerate(rest, self._unread + 1):
                self.outbox.unread.add(self.return_id, ordinal, file)
            if not whole:
                broken = UnreadFile(path=".", why="reading was broken off; do not wipe the card")
                self.outbox.unread.add(self.return_id, 0, broken)
            for statement in self.card.statements:
                self.outbox.statements.add(self.return_id, statement)
            self.outbox.returns.close(self.return_id, self._ending(complete))

    def _ending(self, complete: bool) -> Ending:
        extent = self.card.extent
        if self.card.confirmed_by is not None and extent.kind in ("not_confirmed", "not_as_prepared"):
            extent = Extent("confirmed")
        return Ending(
            complete=complete,
            extent=extent.kind,
            extent_note=extent.note,
            confirmed_by=self.card.confirmed_by if extent.kind == "confirmed" else None,
            aside=[readable(name)[0][:LONGEST_NAME] for name in self.aside[:NAMES_PER_LINE]],
        )


BROKEN_OFF = "was not read before the reading was broken off"


def not_read(names: Iterable[bytes], why: str, unnamed: int = 0) -> Iterator[UnreadFile]:
    """Each file by name, as far as one request holds them; `unnamed` more are known only by number."""
    room, left = UNREAD_BYTES, unnamed
    for name in names:
        path = readable(name)[0]
        room -= len(name) + len(why) + 30
        if room >= 0 and path:
            yield UnreadFile(path=path[:LONGEST_NAME], why=why)
        else:
            left += 1
    if left:
        yield UnreadFile(path=".", why=f"{left} more files, not named here: each {why}")


def _why_not_read(result: Copied | Failed) -> str | None:
    why = result.why if isinstance(result, Failed) else result.what_is_wrong()
    return why and why[:LONGEST_WHY]


def place_in_order(outbox: Outbox, return_id: UUID, card: Card) -> None:
    """Place by the prepared order, only when the stills on the card are exactly as many as it asks for."""
    rule = next((rule for rule in card.profile.rules if rule.source == "order"), None)
    if rule is None or not card.order or card.inspection_id is None:
        return
    if outbox.pictures.count_stills(return_id) != len(card.order):
        return
    stills = outbox.pictures.stills(return_id)
    # A picture that is cut off may have been taken again: then the count fits, the order may not.
    if any(file.marks or (file.placement and file.placement.location_key) for _, file in stills):
        return
    with outbox.transaction():
        for (ordinal, file), place in zip(stills, card.order, strict=True):
            claim = PlacementClaim(
                inspection_id=card.inspection_id,
                location_key=place.location,
                rule="order",
                confidence=rule.confidence,
                element=place.element,
                element_last=place.element_last,
            )
            outbox.files.replace(return_id, ordinal, msgspec.structs.replace(file, placement=claim))


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

"""What was read, a second time, beside the bytes: from it the outbox is made again when its file is lost.

`spool/returns/<card return>.journal`, one record per line: the CRC-32 of the rest in hex, a space, JSON, a
line feed. Lines are only appended and are on the disk before the outbox commits the same facts. A line cut
off at the end is what a crash leaves, and means nothing; a wrong line before others is damage.
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from uuid import UUID

import msgspec

from agent import private
from agent.outbox.card_return import Cut
from agent.outbox.spool import refusal, sync_folder, written
from service.contract.cards import CardExtent
from service.contract.wire import UtcTime


class Opened(msgspec.Struct, tag="opened", kw_only=True):
    """A card return was begun; `wire` is its CardReturnOpen as sent, its manifest goes by `cut`."""

    wire: msgspec.Raw
    unit: str | None
    source: str
    cut: Cut


class Listed(msgspec.Struct, tag="listed"):
    """Names that the card listed before anything was read, by their exact bytes."""

    names: list[bytes]


class Took(msgspec.Struct, tag="took"):
    """A file was read; `wire` is its ManifestFile. A later one of the same ordinal replaces it."""

    ordinal: int
    wire: msgspec.Raw


class NotRead(msgspec.Struct, tag="not_read"):
    ordinal: int
    path: str
    why: str


class Stated(msgspec.Struct, tag="stated"):
    """A person stated something with the card; `wire` is the StatementIn."""

    wire: msgspec.Raw


class Ending(msgspec.Struct, frozen=True, kw_only=True):
    """How a reading ended. `complete`: every file that the card listed was read; `extent`: whether that was a
    whole card, `extent_note` why not; `aside`: names of system files that were not read."""

    complete: bool = False
    extent: CardExtent = "not_confirmed"
    extent_note: str = ""
    confirmed_by: str | None = None
    aside: list[str] = []


class Closed(msgspec.Struct, tag="closed", kw_only=True):
    """Reading has ended; what goes beyond these ordinals was written for a commit that failed."""

    files: int
    unread: int
    ending: Ending
    finished_at: UtcTime


class Confirmed(msgspec.Struct, tag="confirmed"):
    """A person said, after the reading, that it was a whole card."""

    person: str


Record = Opened | Listed | Took | NotRead | Stated | Closed | Confirmed
_decoder = msgspec.json.Decoder(Record)
_encoder = msgspec.json.Encoder()


@dataclass
class JournalWalk:
    """Walks a journal. `damaged` counts wrong lines before others; `sound` is where a cut-off end begins."""

    path: Path
    damaged: int = field(default=0, init=False)
    sound: int = field(default=0, init=False)

    def __iter__(self) -> Iterator[Record]:
        self.damaged = self.sound = wrong = at = 0
        with self.path.open("rb") as file:
            for line in file:
                at += len(line)
                record = _record(line)
                if record is None:
                    wrong += 1
                    continue
                self.damaged, self.sound = wrong, at
                yield record


class Journals:
    """All journals of a spool. A journal is written by the one process that reads the card."""

    def __init__(self, spool: Path) -> None:
        self.folder = spool / "returns"
        self._prepared = spool / "prepared"
        self._spoken = spool / "stated"
        # Journals whose end this process has looked at, so that nothing is written behind half a line.
        self._sound: set[UUID] = set()

    def path(self, return_id: UUID) -> Path:
        return self.folder / f"{return_id}.journal"

    def ids(self) -> list[UUID]:
        """Card returns that have a journal, the oldest first."""
        if not self.folder.is_dir():
            return []
        return sorted(_ids(self.folder.glob("*.journal")))

    def read(self, return_id: UUID) -> JournalWalk:
        return JournalWalk(self.path(return_id))

    def append(self, return_id: UUID, records: list[Record]) -> None:
        """Add records and make them last. Raises SpoolError; then none of them counts."""
        try:
            self._append(return_id, b"".join(_line(record) for record in records))
        except OSError as error:
            raise refusal(self.folder, error) from error

    def _append(self, return_id: UUID, lines: bytes) -> None:
        path = self.path(return_id)
        fresh = not path.exists()
        private.make_folder(self.folder)
        if return_id not in self._sound and not fresh:
            self._cut_off_end(return_id)
        self._sound.discard(return_id)
        with open(path, "ab", buffering=0, opener=private.opener) as file:
            before = file.tell()
            try:
                written(file.fileno(), lines)
                os.fsync(file.fileno())
            except OSError:
                os.ftruncate(file.fileno(), before)
                raise
        if fresh:
            sync_folder(self.folder)
        self._sound.add(return_id)

    def _cut_off_end(self, return_id: UUID) -> None:
        walk = self.read(return_id)
        for _ in walk:
            pass
        os.truncate(walk.path, walk.sound)

    def remove(self, return_id: UUID) -> None:
        """Only once a receipt for the return is noted."""
        self.path(return_id).unlink(missing_ok=True)
        self._sound.discard(return_id)

    def set_aside(self, return_id: UUID) -> Path:
        """Put a damaged journal out of the way, kept for a person to look at."""
        self._sound.discard(return_id)
        return self.path(return_id).replace(self.path(return_id).with_suffix(".damaged"))

    # Cards prepared, and statements without a card, until the service has been told

    def keep_prepared(self, card_id: UUID, wire: bytes) -> None:
        _keep(self._prepared, card_id, wire)

    def drop_prepared(self, card_id: UUID) -> None:
        (self._prepared / f"{card_id}.json").unlink(missing_ok=True)

    def prepared(self) -> list[tuple[UUID, bytes]]:
        return _kept(self._prepared)

    def keep_spoken(self, statement_id: UUID, wire: bytes) -> None:
        _keep(self._spoken, statement_id, wire)

    def drop_spoken(self, statement_id: UUID) -> None:
        (self._spoken / f"{statement_id}.json").unlink(missing_ok=True)

    def spoken(self) -> list[tuple[UUID, bytes]]:
        return _kept(self._spoken)


def _keep(folder: Path, key: UUID, wire: bytes) -> None:
    private.make_folder(folder)
    with open(folder / f"{key}.json", "wb", buffering=0, opener=private.opener) as file:
        written(file.fileno(), wire)
        os.fsync(file.fileno())
    sync_folder(folder)


def _kept(folder: Path) -> list[tuple[UUID, bytes]]:
    """What a file holds whole; half of it was written when nobody had been told yet that it was kept."""
    found = ((key, (folder / f"{key}.json").read_bytes()) for key in sorted(_ids(folder.glob("*.json"))))
    return [(key, wire) for key, wire in found if wire.endswith(b"}")]


def _ids(paths: Iterable[Path]) -> Iterator[UUID]:
    """The ids in file names; a file that a person put there has none."""
    for path in paths:
        with suppress(ValueError):
            yield UUID(path.stem)


def _line(record: Record) -> bytes:
    text = _encoder.encode(record)
    return b"%08x %s\n" % (zlib.crc32(text), text)


def _record(line: bytes) -> Record | None:
    """None for a line that is cut off or not as it was written."""
    if line[8:9] != b" " or not line.endswith(b"\n"):
        return None
    text = line[9:-1]
    try:
        return _decoder.decode(text) if int(line[:8], 16) == zlib.crc32(text) else None
    except (ValueError, msgspec.DecodeError):
        return None

"""How a card return travels: manifest in parts, upload tickets, commit, signed receipt.

1. PUT  /api/v1/card-returns/{id}              CardReturnOpen   -> RecordedReturn
2. PUT  /api/v1/card-returns/{id}/parts/{n}    ManifestPart     -> PartAnswer (tickets for what is lacking)
   The first may bring the opening, which saves step 1.
3. PUT  to the object store, one per ticket, with exactly the ticket's headers
   or, for what is larger than LARGE_FROM, PUT /api/v1/card-returns/{id}/large/{sha256}
                                               LargeParts       -> LargeAnswer (tickets for its parts)
4. POST /api/v1/card-returns/{id}/commit       CardReturnCommit -> Receipt (a JWS, RFC 7515)
   The store is looked at for every object of the manifest. 409 `objects-missing`: it lacks some, whether
   they were recorded before or not; 409 `objects-unverified`: some came in and are still read back.
5. POST /api/v1/card-returns/{id}/parts/{n}/check               -> PartAnswer (what the store lacks)
   For who goes on after a break, or was told `objects-missing`: the store is looked at for the part.

Every step can be repeated: the same id with the same content gives the same answer, with other
content it is refused with 409 `return-differs` (I8). Only the agent that opened a card return sends for
it; another is refused with 403 `return-of-another-agent`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from typing import Annotated, Literal
from uuid import UUID

import msgspec

from service.contract.wire import Code, Count, Digest, Text, UtcTime, Wire
from service.contract.work import StatementIn

FILES_PER_PART = 500

# Up to here a file goes in one PUT, whose whole digest the store compares. What is larger goes by S3
# multipart: the store compares each part, the service reads the whole back before anyone relies on it.
LARGE_FROM = 8 * 1024 * 1024
# The least that S3 admits for a part (Amazon S3 User Guide, "Multipart upload limits"); at most 10,000 parts.
LEAST_PART = 5 * 1024 * 1024
MOST_PARTS = 10_000

# System files that a commit names; of more the agent tells only these.
MOST_ASIDE = 500

FileKind = Literal["still", "video", "side", "other"]
Mark = Literal[
    "zero_length",
    "truncated",
    "not_an_image",
    "changed_while_read",
    "short_read",
    "too_large_to_judge",
    "slate",
]
PICTURES = frozenset({"still", "video"})
NO_PICTURE = frozenset({"zero_length", "truncated", "not_an_image", "slate"})


def counts_as_held(kind: str, marks: Iterable[str]) -> bool:
    """Whether an image counts towards the pictures a location requires.

    What cannot be looked at whole is kept and shown, but never counted as seen; nor is a slate.
    """
    return kind in PICTURES and not NO_PICTURE & set(marks)


# What was read of a card: all of it, as it was prepared, or as a person confirmed; or what nobody has
# confirmed; or a card from which a part of its preparation is gone; or a folder of a larger medium.
CardExtent = Literal["as_prepared", "confirmed", "not_confirmed", "not_as_prepared", "part"]
PlacementRule = Literal["folder", "file_name", "exif", "order", "slate", "by_hand"]


Path = Annotated[str, msgspec.Meta(min_length=1, max_length=4096)]
ExifTag = Annotated[str, msgspec.Meta(max_length=64)]
ExifText = Annotated[str, msgspec.Meta(max_length=2000)]


class PlacementClaim(Wire):
    """Where a file belongs and which rule of the profile said so; `location_key` None: not understood, and
    from the rule "slate" an open question, of which `note` says why."""

    inspection_id: UUID
    location_key: Annotated[str, msgspec.Meta(max_length=64)] | None
    rule: PlacementRule
    confidence: Annotated[float, msgspec.Meta(ge=0, le=1)] = 1.0
    element: Annotated[int, msgspec.Meta(ge=1, le=100000)] | None = None
    element_last: Annotated[int, msgspec.Meta(ge=1, le=100000)] | None = None
    evaluation: Annotated[str, msgspec.Meta(max_length=64)] | None = None
    condition: Annotated[str, msgspec.Meta(max_length=128)] | None = None
    note: Text | None = None


class PictureFacts(Wire):
    """What the picture file says of itself, as read; `exif` maps tag names to text, never corrected."""

    format: Annotated[str, msgspec.Meta(max_length=32)]
    width: Count
    height: Count
    exif: dict[ExifTag, ExifText] = {}


class ManifestFile(Wire):
    """One file seen on the card. `path` is relative to the card's root, '/' separated, for reading;
    `path_bytes` are the exact name bytes where UTF-8 of `path` is not exactly them, and `path` is then
    `readable_path` of them. A manifest names no exact path twice.
    `modified` is the file system's time as shown, its zone unknown (I9)."""

    path: Path
    size: Count
    sha256: Digest
    kind: FileKind
    read_at: UtcTime
    modified: Annotated[str, msgspec.Meta(max_length=40)] | None = None
    path_bytes: bytes | None = None
    marks: list[Mark] = []
    picture: PictureFacts | None = None
    placement: PlacementClaim | None = None


class UnreadFile(Wire):
    """A file the card lists that could not be read: recorded as such, it deletes nothing (I7)."""

    path: Path
    why: Text


class VolumeFacts(Wire):
    """Evidence only, never identity (I1)."""

    label: Text | None = None
    serial: Text | None = None
    file_system: Text | None = None


class CardReturnOpen(Wire):
    site: Code
    profile: Code
    started_at: UtcTime
    card_id: UUID | None = None
    inspection_id: UUID | None = None
    revision_id: UUID | None = None
    scope: Text | None = None
    person: Text | None = None
    shift: Text | None = None
    volume: VolumeFacts | None = None


class ManifestPart(Wire):
    """`opening`: the card return is opened with it, a round trip less; as if it had been sent before."""

    files: Annotated[list[ManifestFile], msgspec.Meta(max_length=FILES_PER_PART)]
    opening: CardReturnOpen | None = None


class UploadTicket(Wire):
    """PUT the bytes to `url` with exactly `headers`; the store refuses other bytes (checksum signed in)
    and a second write (If-None-Match). 412 means: already there, carry on. Where the store holds other bytes
    under the name, `headers` have no If-None-Match: the right ones are written over them."""

    sha256: Digest
    size: Count
    url: str
    headers: dict[str, str]
    expires_at: UtcTime


class LargeLacking(Wire):
    """A file larger than LARGE_FROM that is not verified here, or is not held any more."""

    sha256: Digest
    size: Count


class PartAnswer(Wire):
    """`held` counts files that need no upload; `lacking` and `large` are the rest."""

    part: int
    files: int
    held: int
    lacking: list[UploadTicket]
    large: list[LargeLacking] = []


class LargeParts(Wire):
    """The SHA-256 of every part of a large file, in order, cut by `part_size(size)`."""

    size: Count
    parts: Annotated[list[Digest], msgspec.Meta(min_length=1, max_length=MOST_PARTS)]


class PartTicket(Wire):
    """PUT bytes `offset` to `offset + size` of the file to `url` with exactly `headers`."""

    number: int
    offset: Count
    size: Count
    url: str
    headers: dict[str, str]


class LargeAnswer(Wire):
    """`receiving`: PUT to the tickets (the next ones; there may be more), then ask again. `verifying`: all
    parts are there, the whole is read back; ask again later. `verified`: it is held as it was read."""

    sha256: Digest
    state: Literal["receiving", "verifying", "verified"]
    parts_held: int
    tickets: list[PartTicket]
    expires_at: UtcTime


class FileAhead(Wire):
    """A file of a card that is still being read."""

    sha256: Digest
    size: Count


class FilesAhead(Wire):
    """Files of which the bytes may come before their manifest part does; they open the card return."""

    opening: CardReturnOpen
    files: Annotated[list[FileAhead], msgspec.Meta(max_length=FILES_PER_PART)]


class CardReturnCommit(Wire):
    """Closes the manifest. `manifest_sha256` is `manifest_digest` over all parts' files in order. A card with
    unread files was not read to its end: `complete` is then False.

    Each of the `statements` that can be taken is taken; one that cannot keeps nothing else back and stands
    in `refused` of the card return.
    """

    parts: Count
    files: Count
    manifest_sha256: Digest
    complete: bool
    finished_at: UtcTime
    unread: list[UnreadFile] = []
    statements: list[StatementIn] = []
    extent: CardExtent = "not_confirmed"
    extent_note: Text | None = None
    confirmed_by: Text | None = None
    aside: Annotated[list[Path], msgspec.Meta(max_length=MOST_ASIDE)] = []


class ReceiptFile(Wire):
    path: str
    sha256: Digest
    size: Count
    path_bytes: bytes | None = None


class ReceiptBody(Wire):
    """The payload of a receipt. It clears a wipe only with `complete` (the card was read to its end) and an
    `extent` that is a whole card, as it was prepared or as `confirmed_by` confirmed it (I6). `aside` are
    files of an operating system that were not read."""

    format: Literal["sightledger-receipt/1"]
    card_return_id: UUID
    card_id: UUID | None
    site: str
    agent: str
    issued_at: UtcTime
    manifest_sha256: Digest
    complete: bool
    files: list[ReceiptFile]
    unread: list[UnreadFile]
    extent: CardExtent
    confirmed_by: str | None
    aside: list[str]


class Receipt(Wire):
    """A flattened JWS (RFC 7515 7.2.2), alg EdDSA over Ed25519 (RFC 8037); `payload` is a ReceiptBody."""

    payload: str
    protected: str
    signature: str


class RefusalSettled(Wire):
    """That a person dealt with a refused statement: made it again as `statement_id`, or, where that is null,
    dismissed it."""

    id: UUID
    statement_id: UUID | None
    reason: str
    by: str
    recorded_at: UtcTime


class RefusedStatement(Wire):
    """A statement that came with a card and was not taken: `why`, and what to do next. It stays open until a
    person settles it. `unit` is the serial number of its inspection, null for one not known here."""

    id: UUID
    statement: StatementIn
    unit: str | None
    why: str
    next_step: str | None
    recorded_at: UtcTime
    settled: RefusalSettled | None


class RefusalSettledIn(Wire):
    """Deals with a refused statement: `statement` is what is stated in its place, null: nothing is."""

    id: UUID
    reason: Annotated[str, msgspec.Meta(min_length=3, max_length=4000)]
    statement: StatementIn | None = None


class RecordedReturn(Wire):
    """`files_new` and `bytes_new`: of the images that its site had not held before. `refused` are the
    statements that came with the card and were not taken, those settled among them."""

    id: UUID
    site: str
    state: Literal["open", "committed"]
    agent: str
    card_id: UUID | None
    inspection_id: UUID | None
    opened_at: UtcTime
    committed_at: UtcTime | None
    complete: bool | None
    extent: CardExtent | None
    confirmed_by: str | None
    aside: list[str]
    files: int
    files_new: int
    bytes: int
    bytes_new: int
    not_placed: int
    unread: list[UnreadFile]
    remarks: list[str]
    not_yet_verified: list[Digest] = []
    refused: list[RefusedStatement] = []


class CardPrepared(Wire):
    """The fact that a card was prepared for an inspection."""

    site: Code
    inspection_id: UUID
    revision_id: UUID
    profile: Code
    prepared_at: UtcTime
    folders: Count
    scope: Text | None = None
    person: Text | None = None


class RecordedCard(Wire):
    """A recorded card: what was prepared, by which agent, and when the service heard of it."""

    id: UUID
    site: str
    agent: str
    inspection_id: UUID
    revision_id: UUID
    profile: str
    prepared_at: UtcTime
    recorded_at: UtcTime
    folders: int
    scope: str | None
    person: str | None


def manifest_digest(files: list[tuple[bytes, str, int]]) -> str:
    """SHA-256 over one line per file, `<sha256> <size> <path bytes as hex>\\n`, in manifest order.

    Both sides compute it, so that a lost or doubled part cannot be committed.
    """
    digest = hashlib.sha256()
    for path, sha256, size in files:
        digest.update(f"{sha256} {size} {path.hex()}\n".encode("ascii"))
    return digest.hexdigest()


def part_size(size: int) -> int:
    """Bytes per part of a large file of `size` bytes: the least that S3 admits, more where the parts would
    be too many."""
    mebibyte = 1024 * 1024
    return max(LEAST_PART, -(-size // (MOST_PARTS * mebibyte)) * mebibyte)


def readable_path(name: bytes) -> str:
    """Name bytes for reading: what is no UTF-8 shows as U+FFFD."""
    return name.decode("utf-8", "replace")


def exact_path(path: str, path_bytes: bytes | None) -> bytes:
    """The name bytes as they stood on the card."""
    return path.encode("utf-8", "surrogatepass") if path_bytes is None else path_bytes

"""What a manifest must add up to, and what of it a person should know. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from service.contract.cards import (
    CardExtent,
    CardReturnCommit,
    FileAhead,
    ManifestFile,
    ReceiptFile,
    exact_path,
    manifest_digest,
    readable_path,
)

ASIDE_NAMED = 10

EXTENTS: dict[CardExtent, str] = {
    "not_confirmed": "Nobody had confirmed that this was a whole card",
    "not_as_prepared": "A part of what the preparation wrote is gone from the card",
    "part": "This was not a whole card",
}


def extent_remarks(commit: CardReturnCommit) -> list[str]:
    """What a person should know of how much of the card was read."""
    remarks = []
    if commit.extent in EXTENTS:
        note = f": {commit.extent_note}" if commit.extent_note else ""
        remarks.append(f"{EXTENTS[commit.extent]}{note}.")
    if commit.extent == "confirmed":
        remarks.append(f"{commit.confirmed_by or 'Nobody by name'} confirmed that this was a whole card.")
    if commit.aside:
        names = ", ".join(commit.aside[:ASIDE_NAMED])
        more = f" and {len(commit.aside) - ASIDE_NAMED} more" if len(commit.aside) > ASIDE_NAMED else ""
        remarks.append(f"Left aside, as files of an operating system: {names}{more}.")
    return remarks


def placing_remarks(counted: Mapping[str, int]) -> list[str]:
    """One sentence per remark of verdicts, with the number of files it holds for."""
    return [
        f"{count} {'file' if count == 1 else 'files'} kept but not placed: {reason}."
        for reason, count in sorted(counted.items())
    ]


def manifest_faults(
    files: Sequence[ManifestFile | ReceiptFile], parts: int, commit: CardReturnCommit
) -> list[str]:
    """Why the parts held here are not the manifest that the commit closes; empty when they are."""
    if parts != commit.parts:
        return [f"{parts} parts are held here, the commit names {commit.parts}"]
    if len(files) != commit.files:
        return [f"the parts hold {len(files)} files, the commit names {commit.files}"]
    lines = [(exact_path(file.path, file.path_bytes), file.sha256, file.size) for file in files]
    if manifest_digest(lines) != commit.manifest_sha256:
        return ["the manifest digest computed over the parts is not the one in the commit"]
    return []


def contradictions(files: Iterable[ManifestFile | ReceiptFile]) -> list[tuple[str, str]]:
    """Where a manifest cannot be the listing of one card: path and what is wrong with it."""
    found, met = [], set[bytes]()
    for file in files:
        name = exact_path(file.path, file.path_bytes)
        if file.path_bytes is not None and file.path != readable_path(name):
            found.append((file.path, "is not the readable form of its path bytes"))
        if name in met:
            found.append((file.path, "stands in the manifest more than once"))
        met.add(name)
    return found


def sizes(files: Iterable[ManifestFile | ReceiptFile | FileAhead]) -> tuple[dict[str, int], set[str]]:
    """Size by digest, and the digests that the manifest gives two sizes for (bytes have only one)."""
    known: dict[str, int] = {}
    torn = set()
    for file in files:
        if known.setdefault(file.sha256, file.size) != file.size:
            torn.add(file.sha256)
    return known, torn


UNREADABLE = frozenset({"zero_length", "not_an_image"})


def wants_thumbnail(file: ManifestFile) -> bool:
    """True for bytes that are a picture under whatever name, and for stills that may be one: a truncated
    still shows what it has."""
    if file.picture is not None:
        return True
    return file.kind == "still" and not UNREADABLE & set(file.marks)

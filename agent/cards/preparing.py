"""Prepares a card: folders, marker, job sheet and list files, all of them or nothing.

Everything is first written into a folder of its own on the card, then moved into place by renames. A card
that holds a file which is not ours is refused: nothing of anybody's is overwritten or deleted (I6).
"""

from __future__ import annotations

import hashlib
import os
import shutil
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

from rich.filesize import decimal

from agent.cards.marker import (
    FORMAT,
    MARKER_NAME,
    MarkedFolder,
    MarkedPicture,
    Marker,
    encode_marker,
    read_marker,
)
from agent.cards.taking import digest_of
from agent.cards.walking import Walk, is_systems_own, readable
from agent.clock import now
from agent.errors import AgentError, why
from agent.outbox.cache import Cache
from agent.outbox.originals import Originals
from agent.outbox.outbox import Outbox
from agent.outbox.spool import sync_folder
from agent.profiles.schema import Profile
from agent.profiles.tree import Folder, Plan, folder_tree, list_text, picture_order
from agent.settings import Enrolment
from agent.sheets.jobsheet import JobSheet, as_html, as_text
from service.contract.cards import CardPrepared
from service.contract.wire import new_id
from service.contract.work import InspectionBrief

TEMPORARY = "SIGHTLEDGER-PREPARING-"
SHEET_NAMES = ("SIGHTLEDGER-JOB.txt", "SIGHTLEDGER-JOB.html")
# Only where the profile reads slates: elsewhere a picture of one would count as a picture of a location.
SLATE_NAMES = ("SIGHTLEDGER-JOB.pdf", "SIGHTLEDGER-SLATES.html")
# exFAT allocates whole clusters; 128 KiB is the largest that formatting chooses below 512 GB (common
# practice, no source).
CLUSTER = 128 * 1024
SHOWN = 20


@dataclass(frozen=True)
class CardToPrepare:
    """What a card is to be prepared for, and for whom."""

    inspection: InspectionBrief
    plan: Plan
    profile: Profile
    scope: str | None = None
    person: str | None = None


def prepare_card(
    root: Path, wanted: CardToPrepare, cache: Cache, outbox: Outbox, enrolment: Enrolment
) -> Marker:
    """Write a card; raises AgentError, with the card as it was, when it cannot or must not be written."""
    if not root.is_dir():
        raise AgentError(
            f"There is no card at {root}.", "Nothing was written.", "Put the card in and try again."
        )
    earlier = read_marker(root)
    _refuse_foreign_files(root, earlier, wanted.profile, outbox.originals)
    folders = folder_tree(wanted.plan, wanted.profile)
    marker, files = _contents(wanted, folders, cache, enrolment)
    made = [folder.path for folder in folders] + wanted.profile.make
    _refuse_full(root, len(made), files)
    try:
        _write(root, earlier, marker, made, files)
    except OSError as error:
        raise AgentError(
            f"The card at {root} could not be written: {why(error)}.",
            "Nothing of this preparation was left on it.",
            "Check that the card is not write-protected or full, then try again.",
        ) from error
    if earlier is not None:
        outbox.preparations.note_card_back(earlier.card_id)
    outbox.preparations.add(marker.card_id, _fact(marker, len(folders)))
    return marker


def _fact(marker: Marker, folders: int) -> CardPrepared:
    return CardPrepared(
        site=marker.site,
        inspection_id=marker.inspection_id,
        revision_id=marker.revision_id,
        profile=marker.profile,
        prepared_at=marker.prepared_at,
        folders=folders,
        scope=marker.scope,
        person=marker.person,
    )


def _refuse_foreign_files(root: Path, earlier: Marker | None, profile: Profile, originals: Originals) -> None:
    foreign, covered = [], True
    for entry in Walk(root):
        name, odd = readable(entry.name)
        if entry.trouble is not None:
            foreign.append(f"{name} ({entry.trouble})")
            covered = False
            continue
        if odd is None and _is_ours(name, Path(entry.path), earlier, profile):
            continue
        if is_systems_own(entry.name):
            continue
        foreign.append(name)
        covered = covered and _is_held(Path(entry.path), originals)
    if not foreign:
        return
    shown = ", ".join(foreign[:SHOWN]) + (f" and {len(foreign) - SHOWN} more" if len(foreign) > SHOWN else "")
    raise AgentError(
        f"The card holds {len(foreign)} files that are not of a preparation: {shown}.",
        "Nothing was written or deleted. "
        + (
            "A verified receipt lists every one of them: a person may wipe the card."
            if covered
            else "No receipt lists them all: do not wipe the card."
        ),
        "Wipe it at the scope, then prepare it."
        if covered
        else "Read the card first: sightledger-agent read",
    )


def _is_ours(name: str, path: Path, earlier: Marker | None, profile: Profile) -> bool:
    top, _, below = name.partition("/")
    if top.startswith(TEMPORARY):
        # Left by a preparation that was cut off. A scope may have put pictures beside: those are not ours.
        return below in {
            MARKER_NAME,
            *SHEET_NAMES,
            *SLATE_NAMES,
            *(listed.name for listed in profile.lists),
        }
    if earlier is None:
        return False
    return name == MARKER_NAME or (name in earlier.own_files and digest_of(path) == earlier.own_files[name])


def _is_held(path: Path, originals: Originals) -> bool:
    digest = digest_of(path)
    original = originals.find(digest) if digest else None
    return original is not None and original.held_at is not None


def _refuse_full(root: Path, folders: int, files: dict[str, bytes]) -> None:
    needed = (folders + 1) * CLUSTER + sum(-(-len(data) // CLUSTER) * CLUSTER for data in files.values())
    free = shutil.disk_usage(root).free
    if free < needed:
        raise AgentError(
            f"The card has {decimal(free)} free; the preparation needs {decimal(needed)}.",
            "Nothing was written.",
            "Use a card with room for the pictures as well.",
        )


def _contents(
    wanted: CardToPrepare, folders: list[Folder], cache: Cache, enrolment: Enrolment
) -> tuple[Marker, dict[str, bytes]]:
    at, terms = now(), cache.terms()
    by_location = {
        f.location: f.path for f in folders if f.location and f.element is None and not f.evaluation
    }
    sheet = JobSheet(
        wanted.inspection, wanted.plan, by_location, terms, cache.cautions(),
        enrolment.site, at, wanted.scope, wanted.person,
    )  # fmt: skip
    files = {
        SHEET_NAMES[0]: as_text(sheet).encode("utf-8"),
        SHEET_NAMES[1]: as_html(sheet).encode("utf-8"),
    }
    if wanted.profile.rule_from("slate") is not None:
        # What draws codes is slow to load, and no other command needs it.
        from agent.sheets.printed import as_pdf, as_screen

        files[SLATE_NAMES[0]] = as_pdf(sheet)
        files[SLATE_NAMES[1]] = as_screen(sheet).encode("utf-8")
    for listed in wanted.profile.lists:
        files[listed.name] = list_text(listed, wanted.plan, terms).encode("utf-8")
    return _marker(wanted, folders, files, enrolment, new_id()), files


def _marker(
    wanted: CardToPrepare, folders: list[Folder], files: dict[str, bytes], enrolment: Enrolment, card_id: UUID
) -> Marker:
    by_order = wanted.profile.rule_from("order") is not None
    return Marker(
        format=FORMAT,
        card_id=card_id,
        site=enrolment.site,
        inspection_id=wanted.inspection.id,
        unit=wanted.inspection.unit,
        plan=wanted.inspection.plan,
        revision_id=wanted.inspection.revision_id,
        revision=wanted.inspection.revision,
        profile=wanted.profile.code,
        prepared_at=now(),
        prepared_by=enrolment.name,
        folders={
            f.path: MarkedFolder(
                location=f.location, element=f.element, element_last=f.element_last, evaluation=f.evaluation
            )
            for f in folders
        },
        own_files={name: hashlib.sha256(data).hexdigest() for name, data in files.items()},
        scope=wanted.scope,
        person=wanted.person,
        order=[
            MarkedPicture(location=o.location, element=o.element, element_last=o.element_last)
            for o in picture_order(wanted.plan)
        ]
        if by_order
        else [],
    )


def _write(
    root: Path, earlier: Marker | None, marker: Marker, made: list[str], files: dict[str, bytes]
) -> None:
    """Folders, then the marker, then the lists: a card cut off after the marker still reads rightly."""
    _clear_temporary(root)
    beside = root / f"{TEMPORARY}{marker.card_id.hex}"
    placed: list[Path] = []
    try:
        for path in made:
            (beside / path).mkdir(parents=True, exist_ok=True)
        for name, data in {MARKER_NAME: encode_marker(marker), **files}.items():
            write_synced(beside / name, data)
        if earlier is not None:
            _clear_earlier(root, earlier)
        for source in _in_order(beside, set(files)):
            _place(source, root / source.name, placed)
        sync_folder(root)
    except BaseException:
        for new in reversed(placed):
            shutil.rmtree(new) if new.is_dir() else new.unlink(missing_ok=True)
        raise
    finally:
        with suppress(OSError):
            _clear_temporary(root)


def _in_order(beside: Path, files: set[str]) -> list[Path]:
    lists = {name.split("/")[0] for name in files}
    return sorted(
        beside.iterdir(), key=lambda path: (path.name in lists, path.name == MARKER_NAME, path.name)
    )


def _place(source: Path, target: Path, placed: list[Path]) -> None:
    """Move into place; empty folders that are there already stay, and take what is new."""
    if source.is_dir() and target.is_dir():
        for child in sorted(source.iterdir()):
            _place(child, target / child.name, placed)
        return
    source.replace(target)
    placed.append(target)


def _clear_earlier(root: Path, earlier: Marker) -> None:
    """Take away what an earlier preparation wrote: its own unchanged files and its empty folders."""
    for name, digest in earlier.own_files.items():
        path = root / name
        if digest_of(path) == digest:
            path.unlink()
    (root / MARKER_NAME).unlink()
    for name in sorted(earlier.folders, key=lambda folder: folder.count("/"), reverse=True):
        with suppress(OSError):
            (root / name).rmdir()


def _clear_temporary(root: Path) -> None:
    for path in root.iterdir():
        if path.name.startswith(TEMPORARY) and path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)


def write_synced(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())

"""Looks for slates in the stills of a card return that was read, and places its files by them."""

from __future__ import annotations

import io
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from uuid import UUID

import msgspec

from agent.outbox.outbox import Outbox
from agent.outbox.pictures import StillContent
from agent.outbox.spool import Spool
from agent.pictures import Facts
from agent.profiles.mapping import Placer
from agent.profiles.schema import Profile, Rule
from agent.slates.code import NONE, Codes
from agent.slates.finding import find_codes
from agent.slates.rules import Job, Placing, Shot, capture_key, ends_at, out_of_order, place
from service.contract.cards import ManifestFile, PlacementClaim, readable_path
from service.contract.pictures import LARGEST_JUDGED

AT_ONCE = 200
THREADS = 2


@dataclass(frozen=True)
class OnCard:
    """What placing must know of a card. `missing`: names that were listed and not read."""

    root: Path
    profile: Profile
    placer: Placer
    missing: Collection[bytes] = ()


def place_by_slates(
    outbox: Outbox, spool: Spool, return_id: UUID, card: OnCard, stopping: Callable[[], bool]
) -> None:
    """Give every file of the return the placement that the slates on the card give it.

    What was found in a picture is kept with its facts, so that it is looked at once. Nothing happens under a
    profile without a rule from 'slate'. Stopped on the way, it leaves open what it did not look at. It can be
    repeated.
    """
    rule = card.profile.rule_from("slate")
    if rule is None:
        return
    _look(outbox, spool, return_id, card, stopping)
    shots = [*_shots(outbox, return_id), *_not_read(outbox, return_id, card)]
    placings = place(shots, _job(outbox, return_id, card.placer))
    for batch in outbox.files.batches(return_id, AT_ONCE):
        with outbox.transaction():
            for card_file in batch:
                file = card_file.manifest
                if file.kind != "other":
                    placed = _placed(file, placings[card_file.path], card.placer, rule)
                    outbox.files.replace(return_id, card_file.ordinal, placed)


# What the pictures show


def _look(outbox: Outbox, spool: Spool, return_id: UUID, card: OnCard, stopping: Callable[[], bool]) -> None:
    unseen = [still for still in outbox.pictures.stills_by_content(return_id) if _wants_look(still.facts)]
    with ThreadPoolExecutor(THREADS, thread_name_prefix="slate") as pool:
        for start in range(0, len(unseen), AT_ONCE):
            if stopping():
                return
            batch = unseen[start : start + AT_ONCE]
            found = list(pool.map(lambda still: _codes_of(still, spool, card.root), batch))
            with outbox.transaction():
                for still, codes in zip(batch, found, strict=True):
                    assert still.facts is not None
                    facts = msgspec.structs.replace(still.facts, codes=codes)
                    outbox.originals.note_facts(still.digest, facts)


def _wants_look(facts: Facts | None) -> bool:
    return facts is not None and facts.codes is None and facts.picture is not None and not facts.marks


def _codes_of(still: StillContent, spool: Spool, root: Path) -> Codes | None:
    """From the spool, or from the card where only the service holds the bytes; None: they are not as read."""
    path = spool.path(still.digest)
    try:
        if path.exists():
            with path.open("rb") as file:
                return find_codes(file)
        if still.size > LARGEST_JUDGED:
            return None
        data = (root / still.path.decode("utf-8", "surrogateescape")).read_bytes()
    except OSError:
        return None
    return find_codes(io.BytesIO(data)) if sha256(data).hexdigest() == still.digest else None


# The sequence


def _shots(outbox: Outbox, return_id: UUID) -> Iterator[Shot]:
    for path, kind, facts in outbox.pictures.facts_of_files(return_id):
        codes = NONE if kind != "still" else facts.codes if facts is not None else None
        yield Shot(path, NONE if codes == NONE else codes)


def _not_read(outbox: Outbox, return_id: UUID, card: OnCard) -> Iterator[Shot]:
    """Stills that the card lists and that nobody could look at."""
    unread = {file.path.encode("utf-8") for file in outbox.unread.of(return_id)} | set(card.missing)
    read = {path for path, _, _ in outbox.files.lines(return_id)} if unread else set()
    for path in unread - read:
        if card.profile.kind_of(readable_path(path)) == "still":
            yield Shot(path, None)


def _job(outbox: Outbox, return_id: UUID, placer: Placer) -> Job:
    units = {}
    if (worklist := outbox.cache.worklist()) is not None:
        units = {inspection.id: inspection.unit for inspection in worklist.inspections}
    plan = placer.plan
    locations = frozenset(location.key for location in plan.locations()) if plan else None
    return _with_carried(outbox, return_id, Job(placer.inspection_id, locations, units))


def _with_carried(outbox: Outbox, return_id: UUID, job: Job) -> Job:
    """With the location at which the card before ended: same inspection and scope, another card."""
    own = outbox.returns.get(return_id).opening
    for before, opening in outbox.returns.complete_before(return_id, job.inspection_id):
        if opening.scope == own.scope and (own.card_id is None or opening.card_id != own.card_id):
            carried = ends_at(_shots(outbox, before), job)
            return Job(job.inspection_id, job.locations, job.units, carried)
    return job


# The placements


def _placed(file: ManifestFile, placing: Placing, placer: Placer, rule: Rule) -> ManifestFile:
    marks = [*file.marks, "slate"] if placing.slate and "slate" not in file.marks else file.marks
    return msgspec.structs.replace(file, marks=marks, placement=_claim(file, placing, placer, rule))


def _claim(file: ManifestFile, placing: Placing, placer: Placer, rule: Rule) -> PlacementClaim:
    """A picture's own words (its Exif comment) may add an element, or speak against the slate."""
    exif = file.picture.exif if file.picture else {}
    itself = None if placing.slate else placer.place(file.path, exif)
    if placing.location is None:
        if itself is not None and itself.location_key is not None:
            return itself
        return _open(placer, placing.reason)
    if itself is None or itself.location_key in (None, placing.location):
        made = placer.place(file.path, {} if placing.slate else exif, placing.location)
        return msgspec.structs.replace(made, rule=rule.source, confidence=made.confidence * placing.share)
    against = f"its slate names {placing.location}, its own comment or name {itself.location_key}"
    return _open(placer, against)


def _open(placer: Placer, reason: str | None) -> PlacementClaim:
    return PlacementClaim(
        inspection_id=placer.inspection_id, location_key=None, rule="slate", confidence=0.0, note=reason
    )


# What a person should know


@dataclass(frozen=True, slots=True)
class UnplacedBySlates:
    """Why pictures stand at no location; `first` and `last` by their names."""

    reason: str
    pictures: int
    first: str
    last: str


def unplaced_by_slates(outbox: Outbox, return_id: UUID) -> list[UnplacedBySlates]:
    """Pictures that the slates leave at no location, by reason, in capture order of the first of each."""
    by_reason: dict[str, list[bytes]] = {}
    for picture in outbox.pictures.at_no_location(return_id):
        claim = picture.claim
        if claim is not None and claim.rule == "slate" and claim.note:
            by_reason.setdefault(claim.note, []).append(picture.path)
    found = []
    for reason, paths in by_reason.items():
        paths.sort(key=capture_key)
        first, last = map(readable_path, (paths[0], paths[-1]))
        found.append((capture_key(paths[0]), UnplacedBySlates(reason, len(paths), first, last)))
    return [unplaced for _, unplaced in sorted(found, key=lambda keyed: keyed[0])]


def taken_late(outbox: Outbox, return_id: UUID, planned: Sequence[str]) -> list[str]:
    """Locations whose slates came in another order than that of the job sheet."""
    slates = sorted(outbox.pictures.slates(return_id), key=lambda slate: capture_key(slate[0]))
    return out_of_order([location for _, location in slates], planned)

"""Looks for slates in the stills of a card return that was read, and places its files by them."""

from __future__ import annotations

import io
import sqlite3
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from uuid import UUID

import msgspec

from agent.cards.pictures import Facts
from agent.outbox.returns import Returns
from agent.outbox.spool import Spool
from agent.profiles.mapping import Placer
from agent.profiles.schema import Profile, Rule
from agent.slates.code import NONE, Codes
from agent.slates.finding import find_codes
from agent.slates.rules import Job, Placing, Shot, capture_key, ends_at, out_of_order, place
from service.contract.cards import CardReturnOpen, ManifestFile, PlacementClaim, readable_path
from service.contract.pictures import LARGEST_JUDGED
from service.contract.work import Worklist

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
    returns: Returns, spool: Spool, return_id: UUID, card: OnCard, stopping: Callable[[], bool]
) -> None:
    """Give every file of the return the placement that the slates on the card give it.

    What was found in a picture is kept with its facts, so that it is looked at once. Nothing happens under a
    profile without a rule from 'slate'. Stopped on the way, it leaves open what it did not look at. It can be
    repeated.
    """
    rule = card.profile.rule_from("slate")
    if rule is None:
        return
    _look(returns, spool, return_id, card, stopping)
    shots = [*_shots(returns, return_id), *_not_read(returns, return_id, card)]
    placings = place(shots, _job(returns, return_id, card.placer))
    for batch in _batches(returns, return_id):
        with returns.transaction():
            for ordinal, path, wire in batch:
                file = msgspec.json.decode(wire, type=ManifestFile)
                if file.kind != "other":
                    returns.replace_file(return_id, ordinal, _placed(file, placings[path], card.placer, rule))


# What the pictures show


def _look(
    returns: Returns, spool: Spool, return_id: UUID, card: OnCard, stopping: Callable[[], bool]
) -> None:
    rows = returns.connection.execute(
        "SELECT f.sha256, min(f.path_bytes) AS path, o.size, o.facts FROM files f JOIN originals o"
        " USING(sha256) WHERE f.return_id=? AND f.kind='still' GROUP BY f.sha256",
        (str(return_id),),
    ).fetchall()
    unseen = [row for row in rows if row["facts"] and _wants_look(_facts(row))]
    with ThreadPoolExecutor(THREADS, thread_name_prefix="slate") as pool:
        for start in range(0, len(unseen), AT_ONCE):
            if stopping():
                return
            batch = unseen[start : start + AT_ONCE]
            found = list(pool.map(lambda row: _codes_of(row, spool, card.root), batch))
            with returns.transaction():
                for row, codes in zip(batch, found, strict=True):
                    facts = msgspec.structs.replace(_facts(row), codes=codes)
                    returns.connection.execute(
                        "UPDATE originals SET facts=? WHERE sha256=?",
                        (msgspec.json.encode(facts), row["sha256"]),
                    )


def _facts(row: sqlite3.Row) -> Facts:
    return msgspec.json.decode(row["facts"], type=Facts)


def _wants_look(facts: Facts) -> bool:
    return facts.codes is None and facts.picture is not None and not facts.marks


def _codes_of(row: sqlite3.Row, spool: Spool, root: Path) -> Codes | None:
    """From the spool, or from the card where only the service holds the bytes; None: they are not as read."""
    path = spool.path(row["sha256"])
    try:
        if path.exists():
            with path.open("rb") as file:
                return find_codes(file)
        if row["size"] > LARGEST_JUDGED:
            return None
        data = (root / row["path"].decode("utf-8", "surrogateescape")).read_bytes()
    except OSError:
        return None
    return find_codes(io.BytesIO(data)) if sha256(data).hexdigest() == row["sha256"] else None


# The sequence


def _shots(returns: Returns, return_id: UUID) -> Iterator[Shot]:
    rows = returns.connection.execute(
        "SELECT f.path_bytes, f.kind, o.facts FROM files f LEFT JOIN originals o USING(sha256)"
        " WHERE f.return_id=?",
        (str(return_id),),
    )
    for row in rows:
        still = row["kind"] == "still"
        codes = (_facts(row).codes if row["facts"] else None) if still else NONE
        yield Shot(bytes(row["path_bytes"]), NONE if codes == NONE else codes)


def _not_read(returns: Returns, return_id: UUID, card: OnCard) -> Iterator[Shot]:
    """Stills that the card lists and that nobody could look at."""
    unread = {one.path.encode("utf-8") for one in returns.unread(return_id)} | set(card.missing)
    read = {
        bytes(row["path_bytes"])
        for row in returns.connection.execute(
            "SELECT path_bytes FROM files WHERE return_id=?", (str(return_id),)
        )
    } if unread else set()  # fmt: skip
    for path in unread - read:
        if card.profile.kind_of(readable_path(path)) == "still":
            yield Shot(path, None)


def _job(returns: Returns, return_id: UUID, placer: Placer) -> Job:
    units = {}
    row = returns.connection.execute("SELECT body FROM documents WHERE name='worklist'").fetchone()
    if row is not None:
        worklist = msgspec.json.decode(row["body"], type=Worklist)
        units = {inspection.id: inspection.unit for inspection in worklist.inspections}
    plan = placer.plan
    locations = frozenset(location.key for location in plan.locations()) if plan else None
    return _with_carried(returns, return_id, Job(placer.inspection_id, locations, units))


def _with_carried(returns: Returns, return_id: UUID, job: Job) -> Job:
    """With the location at which the card before ended: same inspection and scope, another card."""
    row = returns.one(return_id)
    assert row is not None
    own = msgspec.json.decode(row["opening"], type=CardReturnOpen)
    earlier = returns.connection.execute(
        "SELECT id, opening FROM returns WHERE inspection_id=? AND id<? AND complete"
        " ORDER BY id DESC LIMIT 20",
        (str(job.inspection_id), str(return_id)),
    )
    for before in earlier:
        opening = msgspec.json.decode(before["opening"], type=CardReturnOpen)
        if opening.scope == own.scope and (own.card_id is None or opening.card_id != own.card_id):
            carried = ends_at(_shots(returns, UUID(before["id"])), job)
            return Job(job.inspection_id, job.locations, job.units, carried)
    return job


# The placements


def _batches(returns: Returns, return_id: UUID) -> Iterator[list[tuple[int, bytes, bytes]]]:
    after = 0
    while True:
        rows = returns.connection.execute(
            "SELECT ordinal, path_bytes, wire FROM files WHERE return_id=? AND ordinal>? ORDER BY ordinal"
            " LIMIT ?",
            (str(return_id), after, AT_ONCE),
        ).fetchall()
        if not rows:
            return
        yield [(row["ordinal"], bytes(row["path_bytes"]), bytes(row["wire"])) for row in rows]
        after = rows[-1]["ordinal"]


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
class OpenQuestion:
    """Why pictures stand at no location; `first` and `last` by their names."""

    reason: str
    pictures: int
    first: str
    last: str


def open_questions(returns: Returns, return_id: UUID) -> list[OpenQuestion]:
    """Pictures that the slates leave open, by reason, in capture order of the first of each."""
    rows = returns.connection.execute(
        "SELECT path_bytes, wire FROM files WHERE return_id=? AND location IS NULL"
        " AND kind IN ('still','video')",
        (str(return_id),),
    )
    by_reason: dict[str, list[bytes]] = {}
    for row in rows:
        claim = msgspec.json.decode(row["wire"], type=ManifestFile).placement
        if claim is not None and claim.rule == "slate" and claim.note:
            by_reason.setdefault(claim.note, []).append(bytes(row["path_bytes"]))
    found = []
    for reason, paths in by_reason.items():
        paths.sort(key=capture_key)
        first, last = map(readable_path, (paths[0], paths[-1]))
        found.append((capture_key(paths[0]), OpenQuestion(reason, len(paths), first, last)))
    return [question for _, question in sorted(found, key=lambda one: one[0])]


def taken_late(returns: Returns, return_id: UUID, planned: Sequence[str]) -> list[str]:
    """Locations whose slates came in another order than that of the job sheet."""
    rows = returns.connection.execute(
        "SELECT path_bytes, location FROM files WHERE return_id=? AND location IS NOT NULL"
        " AND ' '||marks||' ' LIKE '% slate %'",
        (str(return_id),),
    ).fetchall()
    rows.sort(key=lambda row: capture_key(bytes(row["path_bytes"])))
    return out_of_order([row["location"] for row in rows], planned)

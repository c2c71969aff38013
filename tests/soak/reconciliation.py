"""Plan, store, database and workstations held against each other, once everything has come to rest.

Nothing here goes through the code under test where there is another way: objects are listed and read by the
S3 client, rows by SQL, receipts are checked by the signature's own definition.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from tests.live_service import client_of, execute
from tests.soak.backend import Backend
from tests.soak.cards import Card, Plan, Visit
from tests.soak.workplace import Workplace

MOST_MEMORY = 150.0
NAMED = 5


def differences(plan: Plan, backend: Backend, places: list[Workplace], drawer: Path) -> Iterator[str]:
    """What is not as promised, one line each."""
    yield from _objects(plan, backend, places)
    yield from _rows(plan, backend)
    yield from _workstations(plan, backend, places)
    yield from _cards_untouched(plan, drawer)
    for place in places:
        if place.peak >= MOST_MEMORY:
            yield f"agent {place.number} took {place.peak:.0f} MB, {MOST_MEMORY:.0f} are allowed"
        if place.agent.ended_by_itself:
            yield f"agent {place.number} ended by itself {place.agent.ended_by_itself} times"


def _apart(what: str, wanted: Iterable[Any], found: Iterable[Any]) -> Iterator[str]:
    """Lacking and extra members of a set, the first few by name."""
    wanted, found = set(wanted), set(found)
    for word, odd in (("lacking", wanted - found), ("extra", found - wanted)):
        if odd:
            yield f"{what}: {len(odd)} {word}, such as {', '.join(map(repr, sorted(odd, key=repr)[:NAMED]))}"


# The store


def sent_by_sites(plan: Plan, places: list[Workplace]) -> dict[tuple[str, str], int]:
    """Site and SHA-256 -> size of all that the sites must have sent in the end."""
    sites = {place.number: place.site for place in places}
    return {
        (sites[visit.agent], digest): size for visit in plan.visits for _, digest, size in visit.card.listed()
    }


def _objects(plan: Plan, backend: Backend, places: list[Workplace]) -> Iterator[str]:
    settings, client = backend.settings, client_of(backend.settings)

    def read(key: str) -> tuple[str, str, str, int]:
        """The site and the digest in the object's name, the digest of its bytes, and their size."""
        digest, size = hashlib.sha256(), 0
        with closing(client.get_object(Bucket=settings.s3_bucket, Key=key)["Body"]) as body:
            for block in body.iter_chunks(1024 * 1024):
                digest.update(block)
                size += len(block)
        return key.split("/")[1], key.rpartition("/")[2], digest.hexdigest(), size

    with closing(client), ThreadPoolExecutor(4) as pool:
        pages = client.get_paginator("list_objects_v2").paginate(Bucket=settings.s3_bucket)
        keys = [one["Key"] for page in pages for one in page.get("Contents", [])]
        originals = [key for key in keys if key.startswith("originals/")]
        found = list(pool.map(read, originals))
    sent = sent_by_sites(plan, places)
    # Where the store lost the bytes of one site, those of another may have taken their place.
    held = {(site, digest) for site, digest, _, _ in found}
    replaced = {
        (site, digest)
        for site, digest in backend.vanished - held
        if any((other, digest) in held for other, _ in held)
    }
    wanted = {(*name, name[1], size) for name, size in sent.items() if name not in replaced}
    yield from _apart("objects", wanted, found)
    yield from _apart("objects by number", [len(wanted)], [len(originals)])
    derived = {key.rpartition("/")[2].partition(".")[0] for key in keys if key.startswith("derived/t")}
    yield from _apart("thumbnails of nothing", [], derived - plan.contents().keys())
    yield from _apart(
        "objects elsewhere", [], [key for key in keys if not key.startswith(("originals/", "derived/"))]
    )


# The database


def _rows(plan: Plan, backend: Backend) -> Iterator[str]:
    settings = backend.settings
    yield from _apart(
        "images rows", plan.contents().items(), execute(settings, "SELECT digest, size FROM images")
    )
    seen = execute(
        settings,
        "SELECT volume->>'label', path_bytes, sightings.digest, size FROM sightings"
        " JOIN card_returns ON card_returns.id = card_return_id JOIN images USING (digest)"
        " WHERE committed_at IS NOT NULL",
    )
    wanted = {(card.name, *file) for card in plan.cards for file in card.listed()}
    yield from _apart("sightings", wanted, ((card, bytes(name), d, size) for card, name, d, size in seen))
    [[loose]] = execute(
        settings,
        "SELECT count(*) FROM sightings JOIN card_returns r ON r.id = card_return_id"
        " WHERE committed_at IS NULL OR NOT EXISTS (SELECT 1 FROM receipts WHERE card_return_id = r.id)",
    )
    if loose:
        yield f"{loose} sightings belong to a card return without commit or receipt"
    unsound = execute(settings, "SELECT digest, outcome FROM image_custody WHERE outcome <> 'sound'")
    yield from (f"{digest} is called {outcome}" for digest, outcome in unsound)
    jobs = execute(settings, "SELECT status::text, count(*) FROM procrastinate_jobs GROUP BY 1 ORDER BY 1")
    yield from (f"{count} jobs are left as {status}" for status, count in jobs if status != "succeeded")


# The workstations


def _workstations(plan: Plan, backend: Backend, places: list[Workplace]) -> Iterator[str]:
    keys = (
        httpx.get(f"{backend.settings.public_url}/api/v1/keys", timeout=30).raise_for_status().json()["keys"]
    )
    public = {key["kid"]: Ed25519PublicKey.from_public_bytes(_decoded(key["x"])) for key in keys}
    cards = {card.name: card for card in plan.cards}
    committed = execute(backend.settings, "SELECT id::text FROM card_returns WHERE committed_at IS NOT NULL")
    held: set[str] = set()
    for place in places:
        left = place.outbox_left()
        if left:
            yield f"agent {place.number}: {left} entries of the outbox are not with the service"
        rows = place.asked(
            "SELECT id, source, complete, body FROM returns LEFT JOIN receipts ON return_id=id"
            " WHERE state='held'"
        )
        held |= {row[0] for row in rows}
        whole = Counter[str]()
        for key, source, complete, body in rows:
            card = cards[Path(source).name]
            whole[card.name] += bool(complete)
            for fault in receipt_faults(key, bool(complete), body, card, public):
                yield f"agent {place.number}, {card.name}, card return {key}: {fault}"
        for visit in plan.of(place.number):
            if whole[visit.card.name] < _readings_wanted(plan, visit):
                yield f"agent {place.number} holds no receipt of a whole reading of {visit.card.name}"
    yield from _apart("committed card returns", held, (key for (key,) in committed))


def _readings_wanted(plan: Plan, visit: Visit) -> int:
    return sum(v.card is visit.card for v in plan.of(visit.agent))


def receipt_faults(
    key: str, complete: bool, body: bytes | None, card: Card, public: dict[str, Ed25519PublicKey]
) -> Iterator[str]:
    """RFC 7515 7.2.2 (flattened JSON), RFC 8037 3.1 (EdDSA over the signing input)."""
    if body is None:
        yield "held without a receipt"
        return
    receipt = json.loads(body)
    header = json.loads(_decoded(receipt["protected"]))
    try:
        public[header["kid"]].verify(
            _decoded(receipt["signature"]), f"{receipt['protected']}.{receipt['payload']}".encode()
        )
    except (KeyError, InvalidSignature):
        yield "the receipt's signature does not hold"
        return
    said = json.loads(_decoded(receipt["payload"]))
    if said["cardReturnId"] != key:
        yield f"the receipt is of {said['cardReturnId']}"
    if bool(said["complete"]) != complete:
        yield f"the workstation says complete={complete}, the receipt {said['complete']}"
    listed = {(_exact(file), file["sha256"], file["size"]) for file in said["files"]}
    if complete:
        yield from _apart("files of the receipt", card.listed(), listed)
    elif not listed <= card.listed():
        yield f"the receipt lists what is not on the card: {listed - card.listed()}"


def _exact(file: dict[str, Any]) -> bytes:
    raw = file.get("pathBytes")
    return file["path"].encode() if raw is None else base64.b64decode(raw)


def _decoded(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


# The cards themselves


def _cards_untouched(plan: Plan, drawer: Path) -> Iterator[str]:
    """Every file is on its card as it was before; only `prepare` may have added some."""
    for visit in plan.visits:
        folder = drawer / f"agent-{visit.agent}" / visit.card.name
        gone = [file.name for file in visit.card.files if not file.under(folder).exists()]
        if gone:
            yield f"{visit.card.name} is not back in its drawer as it was: {gone[:NAMED]} of {len(gone)}"
            continue
        for file in visit.card.files:
            with file.under(folder).open("rb") as opened:
                facts = os.fstat(opened.fileno())
                same = hashlib.file_digest(opened, "sha256").hexdigest() == file.content.facts[0]
            if not same or facts.st_mtime != file.modified:
                yield f"{visit.card.name} was changed: {file.name!r}"

"""Who knows the digest and the size of a file does not have its bytes.

Sources, from memory: OWASP ASVS 4.0.3 V4.2.1 (records of others), CWE-639 (access by a key that the caller
chose), CWE-203 (a difference in answers tells what is there). Services that keep equal files once and ask for
no bytes they have are known to let a digest stand for the file.
"""

from __future__ import annotations

import asyncio
import base64
import hashlib
import re
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from typing import Any

import httpx
import msgspec
import pytest

from service.contract.cards import LARGE_FROM, LargeAnswer, LargeParts, ManifestFile, ManifestPart
from service.contract.wire import new_id
from tests import factories
from tests.intake.factories import CardBack, Yard, claim, file_of, fresh_seed, jpeg, receipt_body
from tests.intake.protocol import JSON, Sender, large_parts, put_parts, random_bytes, work_off
from tests.live_service import Running, execute, token_of_agent

pytestmark = pytest.mark.anyio

# What differs from one request to the next whoever holds what.
CHANCE = (
    (r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", "ID"),
    (r"\d{4}-\d\d-\d\dT[\d:.]+Z", "TIME"),
    (r"(X-Amz-Date|X-Amz-Signature|uploadId)=[^&\"]+", r"\1"),
    (r"\"issuedAt\":\"[^\"]+\"", "ISSUED"),
)


@dataclass
class Sent:
    """A file that a card return names, and its bytes where the sender has them."""

    digest: str
    size: int
    body: bytes | None = None

    @classmethod
    def of(cls, body: bytes) -> Sent:
        return cls(hashlib.sha256(body).hexdigest(), len(body), body)

    @property
    def large(self) -> bool:
        return self.size > LARGE_FROM

    def file(self) -> ManifestFile:
        more = {"size": self.size, "sha256": self.digest}
        if self.large:
            return file_of("B/1.MP4", b"", kind="video", picture=None, **more)
        return file_of("A/1.JPG", b"", **more)

    def parts(self) -> LargeParts:
        """The true description, or one made up by somebody without the bytes."""
        return large_parts(self.body if self.body is not None else bytes(self.size))


@dataclass
class Answers:
    """Everything that one workstation is told of a file, by what it did."""

    client: httpx.Client
    site: str
    sent: Sent
    kept: dict[str, tuple[int, str]] = field(default_factory=dict)

    def ask(self, what: str, method: str, path: str, body: Any = None) -> httpx.Response:
        content = None if body is None else msgspec.json.encode(body)
        answer = self.client.request(method, f"/api/v1{path}", content=content, headers=JSON)
        self.kept[what] = (answer.status_code, self._plain(answer.text + str(answer.headers.get("location"))))
        return answer

    def put(self, what: str, ticket: dict[str, Any]) -> None:
        """What the store itself says to a ticket, for somebody who has other bytes of the right size."""
        with httpx.Client(timeout=30, trust_env=False) as store:
            answer = store.put(ticket["url"], headers=ticket["headers"], content=bytes(ticket["size"]))
        code = re.search("<Code>(.*?)</Code>", answer.text)
        self.kept[what] = (answer.status_code, code.group(1) if code else "")

    def _plain(self, text: str) -> str:
        digest = self.sent.digest
        text = text.replace(f"{digest[:2]}/{digest}", "NAME").replace(digest, "DIGEST")
        text = text.replace(base64.b64encode(bytes.fromhex(digest)).decode(), "CHECKSUM")
        for pattern, word in CHANCE:
            text = re.sub(pattern, word, text)
        return text

    def card(self, path: str = "") -> CardBack:
        opening = {"site": self.site, "profile": "two-levels", "startedAt": "2026-09-10T08:00:00Z"}
        self.opening = opening
        return CardBack(None, [self.sent.file()], {}, None)  # type: ignore[arg-type]

    def everything(self) -> Answers:
        """Every request that may tell whether the file is held, in the order of a card return."""
        card, digest = self.card(), self.sent.digest
        part = {**msgspec.to_builtins(ManifestPart(files=card.files)), "opening": self.opening}
        here = f"/card-returns/{card.id}"
        ahead = {"opening": self.opening, "files": [{"sha256": digest, "size": self.sent.size}]}
        self.ask("held", "POST", "/images/held", {"digests": [digest]})
        self.ask("ahead", "PUT", f"/card-returns/{new_id()}/ahead", ahead)
        first = self.ask("part", "PUT", f"{here}/parts/0", part).json()
        self.ask("part again", "PUT", f"{here}/parts/0", part)
        self.ask("another size", "PUT", f"/card-returns/{new_id()}/parts/0", self._of_another_size(part))
        self.ask("check", "POST", f"{here}/parts/0/check")
        for ticket in first["lacking"]:
            self.put("the ticket", ticket)
        if self.sent.large:
            self._large(here)
        self.ask("the return", "GET", here)
        self.ask("commit", "POST", f"{here}/commit", card.closing())
        self.ask("receipt", "GET", f"{here}/receipt")
        self.ask("the return after it", "GET", here)
        for path in ("", "/download", "/content", "/thumbnail"):
            self.ask(f"the image{path}", "GET", f"/images/{digest}{path}")
        return self

    def _of_another_size(self, part: dict[str, Any]) -> dict[str, Any]:
        (file,) = part["files"]
        return {**part, "files": [{**file, "size": file["size"] + 1}]}

    def _large(self, here: str) -> None:
        path = f"{here}/large/{self.sent.digest}"
        answer = self.ask("large", "PUT", path, self.sent.parts()).json()
        for ticket in answer.get("tickets", [])[:1]:
            self.put("the part's ticket", {**ticket, "headers": ticket["headers"]})
        self.ask("large again", "PUT", path, self.sent.parts())


@pytest.fixture
def intruder(service: Running, yard: Yard) -> Iterator[httpx.Client]:
    """A workstation of the other site, whose token somebody has."""
    with closing(service.client(token_of_agent(yard.settings, yard.made.other_site)[1])) as client:
        yield client


def owner(service: Running, yard: Yard, body: bytes, site: str | None = None) -> Sender:
    """A workstation with a card that has these bytes on it; of the yard's first site by default."""
    site = site or yard.made.site
    sent = Sent.of(body)
    card = yard.card_of([sent.file()], [body], site=site, inspection_id=None)

    async def work() -> None:
        await work_off(yard)

    return Sender(card, service.client(token_of_agent(yard.settings, site)[1]), work)


def new_bytes(kind: str) -> bytes:
    return random_bytes(LARGE_FROM + 4096) if kind == "large" else jpeg(fresh_seed())


async def uploaded(sender: Sender, kind: str) -> None:
    """The bytes are in the store and no commit names them."""
    (digest,) = (file.sha256 for file in sender.card.files)
    await sender.card.upload(sender.part(0).lacking)
    if kind == "large":
        await sender.send_large(digest)


def nobody_has(sent: Sent) -> Sent:
    return Sent(new_id().hex * 2, sent.size)


@pytest.mark.parametrize("state", ["committed", "only uploaded"])
@pytest.mark.parametrize("kind", ["small", "large"])
async def test_who_knows_only_digest_and_size_is_told_what_he_is_told_of_a_file_nobody_holds(
    service: Running, yard: Yard, intruder: httpx.Client, kind: str, state: str
) -> None:
    body = new_bytes(kind)
    sender = owner(service, yard, body)
    if state == "committed":
        await sender.send()
    else:
        await uploaded(sender, kind)
    known = Sent(hashlib.sha256(body).hexdigest(), len(body))
    told = Answers(intruder, yard.made.other_site, known).everything().kept
    of_none = Answers(intruder, yard.made.other_site, nobody_has(known)).everything().kept
    assert {what: status for what, (status, _) in told.items()} == {
        what: status for what, (status, _) in of_none.items()
    }
    assert told == of_none
    assert (told["commit"][0], told["receipt"][0]) == (409, 404), "no receipt over bytes that never came"
    reading = {told[f"the image{path}"][0] for path in ("", "/download", "/content", "/thumbnail")}
    assert reading <= {404, 409}


async def test_a_large_file_that_is_awaited_reads_the_same_whether_another_site_holds_it_or_nobody(
    service: Running, yard: Yard, intruder: httpx.Client
) -> None:
    body = new_bytes("large")
    await owner(service, yard, body).send()
    known = Sent(hashlib.sha256(body).hexdigest(), len(body))
    for sent in (known, nobody_has(known)):
        answers = Answers(intruder, yard.made.other_site, sent)
        card = answers.card()
        part = {**msgspec.to_builtins(ManifestPart(files=card.files)), "opening": answers.opening}
        answers.ask("part", "PUT", f"/card-returns/{card.id}/parts/0", part)
        recorded = answers.ask("the return", "GET", f"/card-returns/{card.id}").json()
        assert recorded["notYetVerified"] == [sent.digest]
        assert answers.ask("the image", "GET", f"/images/{sent.digest}").status_code == 409


@pytest.mark.parametrize("end", ["left alone", "put together"])
async def test_parts_described_falsely_at_one_site_hinder_no_other_site(
    service: Running, yard: Yard, intruder: httpx.Client, end: str
) -> None:
    body, lie = new_bytes("large"), new_bytes("large")
    known = Sent(hashlib.sha256(body).hexdigest(), len(body))
    answers = Answers(intruder, yard.made.other_site, known)
    card = answers.card()
    part = {**msgspec.to_builtins(ManifestPart(files=card.files)), "opening": answers.opening}
    here = f"/card-returns/{card.id}"
    answers.ask("part", "PUT", f"{here}/parts/0", part)
    first = answers.ask("large", "PUT", f"{here}/large/{known.digest}", large_parts(lie))
    assert first.status_code == 200
    if end == "put together":
        sender = Sender(yard.card_of([], [lie]), intruder, lambda: work_off(yard))
        put_parts(msgspec.json.decode(first.content, type=LargeAnswer), lie)
        answers.ask("large", "PUT", f"{here}/large/{known.digest}", large_parts(lie))
        await sender.work()
        assert (
            answers.ask("large", "PUT", f"{here}/large/{known.digest}", large_parts(lie)).status_code == 422
        )
    receipt = await owner(service, yard, body).send()
    assert [file.sha256 for file in receipt_body(receipt).files] == [known.digest]
    assert answers.ask("commit", "POST", f"{here}/commit", card.closing()).status_code == 409


@pytest.mark.parametrize("kind", ["small", "large"])
async def test_a_second_site_that_sends_the_bytes_gets_its_receipt_and_its_pictures(
    service: Running, yard: Yard, kind: str
) -> None:
    body = new_bytes(kind)
    digest = hashlib.sha256(body).hexdigest()
    await owner(service, yard, body).send()
    second = owner(service, yard, body, yard.made.other_site)
    assert [file.sha256 for file in receipt_body(await second.send()).files] == [digest]
    recorded = second.client.get(second.path).json()
    assert (recorded["filesNew"], recorded["bytesNew"]) == (1, len(body)), "new at its site"
    answer = second.client.get(f"/api/v1/images/{digest}/download")
    assert answer.status_code == 200
    assert httpx.get(answer.json()["url"], timeout=30).content == body
    for path in (f"/api/v1/images/{digest}{more}" for more in ("", "/download", "/content")):
        told = second.client.get(path)
        assert yard.made.site not in f"{told.text} {told.headers.get('location')}", (
            "who else has it is not told"
        )
    assert second.client.post("/api/v1/images/held", json={"digests": [digest]}).json() == {"held": [digest]}
    # From now on its own record holds it.
    again = owner(service, yard, body, yard.made.other_site)
    first = again.part(0)
    assert (first.held, first.lacking, first.large) == (1, [], [])
    again.commit()
    assert execute(yard.settings, "SELECT count(*) FROM images WHERE digest = %s", digest) == [(1,)]


async def test_a_move_tells_nothing_of_a_picture_whose_id_was_worked_out_from_its_digest(
    service: Running, yard: Yard
) -> None:
    """The id of a shown picture follows from inspection, place and digest, so it is no secret by itself."""
    card = yard.card(("A/1.JPG", jpeg(fresh_seed()), claim(yard.inspection_id)))
    await card.go_through()
    [(known,)] = execute(yard.settings, "SELECT id FROM unit_images WHERE digest = %s", card.files[0].sha256)
    lead = service.client_for(["shift_lead"], [yard.made.other_site])
    target = {"inspectionId": str(await yard.another_inspection(site=yard.made.other_site)), "location": "A"}
    told = []
    for picture in (known, new_id()):
        order = {"id": str(new_id()), "reason": "is it there", "to": target, "pictures": [str(picture)]}
        answer = lead.post("/api/v1/images/moves", json=order)
        told.append((answer.status_code, re.sub(CHANCE[0][0], "ID", answer.text)))
    assert told[0] == told[1]
    assert told[0][0] == 409


async def test_two_sites_that_commit_the_same_new_bytes_at_once_both_get_their_receipt(
    service: Running, yard: Yard
) -> None:
    bodies = [jpeg(fresh_seed()) for _ in range(8)]
    files = [file_of(f"A/{n}.JPG", body) for n, body in enumerate(bodies)]
    agents = {
        site: await factories.agent(yard.db, yard.made, site)
        for site in (yard.made.site, yard.made.other_site)
    }
    cards = {}
    for site, agent in agents.items():
        card = cards[site] = yard.card_of(files, bodies, site=site, inspection_id=None)
        await card.open(agent)
        tickets = (await card.put_part(0, agent=agent)).lacking
        assert len(tickets) == 8, site
        assert await card.upload(tickets) == [200] * 8, "the store says nothing of the other site's bytes"
    receipts = await asyncio.gather(*(card.commit(agents[site]) for site, card in cards.items()))
    assert [len(receipt_body(receipt).files) for receipt in receipts] == [8, 8]
    digests = [file.sha256 for file in files]
    counted = "SELECT count(*), count(DISTINCT digest) FROM {} WHERE digest = ANY(%s)"
    assert execute(yard.settings, counted.format("images"), digests) == [(8, 8)]
    assert execute(yard.settings, counted.format("sightings"), digests) == [(16, 8)]

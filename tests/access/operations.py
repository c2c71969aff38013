"""Every operation that the API describes, with a request for it that names records of a site."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from uuid import UUID

import httpx
import msgspec
import sqlalchemy as sa

from service.access.rules import Role
from service.campaigns.store.tables import unit_images
from service.contract.cards import LARGE_FROM
from service.contract.wire import new_id
from service.intake.store.tables import sightings
from service.settings import Settings
from tests.campaigns import steps
from tests.intake.factories import Yard, claim, file_of, jpeg, rows_of
from tests.live_service import Running, everything_held, execute, token_of_agent, token_of_person

Operation = tuple[str, str]

# The library is one for all sites: what is to be looked at is no secret of a site.
SHARED_PREFIXES = (
    "/api/v1/plan",  # plans, plan-revisions, plan-checks, plan-schema
    "/api/v1/types",
    "/api/v1/vocabulary",
)
OWN_OR_PUBLIC: set[Operation] = {
    ("post", "/api/v1/sessions"),
    ("get", "/api/v1/sessions"),
    ("delete", "/api/v1/sessions"),
    ("delete", "/api/v1/sessions/current"),
    ("get", "/api/v1/callers/me"),
    ("get", "/api/v1/keys"),
    # Receipts of every site are signed with the same keys.
    ("get", "/api/v1/keys/history"),
    ("post", "/api/v1/agents"),
    # Tells of what other sites hold what it tells of nothing: tests/attack/test_possession.py.
    ("post", "/api/v1/images/held"),
    # Tells of other sites' card returns what it tells of none: tests/intake/test_known.py.
    ("post", "/api/v1/card-returns/known"),
    ("get", "/health/live"),
    ("get", "/health/ready"),
}


@dataclass
class Theirs:
    """Everything a site holds, by the names the addresses use; `mine` is an inspection of the caller's."""

    site: str
    plan: str
    type: str
    serial: str
    campaign_id: UUID
    inspection_id: UUID
    revision_id: UUID
    card_id: UUID
    return_id: UUID
    open_return_id: UUID
    refused_id: UUID
    digest: str
    picture_id: UUID
    sighting_id: UUID
    account_id: UUID
    proposal_id: UUID
    agent_id: UUID
    own_site: str
    mine: UUID

    @property
    def marks(self) -> list[str]:
        """What must not be read in any answer."""
        ids = (self.campaign_id, self.inspection_id, self.card_id, self.return_id, self.picture_id)
        more = (self.open_return_id, self.refused_id, self.sighting_id, self.account_id, self.agent_id)
        return [self.site, self.serial, self.digest, *map(str, ids + more)]

    def fill(self, path: str) -> str:
        code = self.site if path.startswith("/api/v1/sites") else self.plan
        for name, value in {**vars(self), "code": code, "part": 0}.items():
            path = path.replace(f"{{{name}}}", str(value))
        return path

    def statement(self, inspection_id: UUID) -> dict[str, Any]:
        said = {"id": str(new_id()), "inspectionId": str(inspection_id), "kind": "complete"}
        return {**said, "locations": None}

    def position(self, site: str) -> dict[str, Any]:
        return {"id": str(new_id()), "site": site, "since": "2026-09-01", "position": "Bay 9"}

    def campaign(self) -> dict[str, Any]:
        window = {"opens": "2026-09-01", "closes": "2026-11-30"}
        return {"name": f"Taken {new_id()}", "plan": self.plan, "units": [self.serial], **window}

    def card(self, site: str) -> dict[str, Any]:
        keys = {"inspectionId": str(self.inspection_id), "revisionId": str(self.revision_id)}
        return {
            "site": site,
            "profile": "two-levels",
            "preparedAt": "2026-09-10T08:00:00Z",
            "folders": 1,
            **keys,
        }

    def opening(self, site: str, **more: Any) -> dict[str, Any]:
        return {"site": site, "profile": "two-levels", "startedAt": "2026-09-10T08:00:00Z", **more}

    def account(self, sites: list[str] | None) -> dict[str, Any]:
        secret = "correct horse battery"
        login = f"taken-{new_id()}"
        return {"login": login, "name": "Taken", "roles": ["auditor"], "sites": sites, "password": secret}

    def part(self) -> dict[str, Any]:
        return {"files": msgspec.to_builtins([file_of("A/1.JPG", jpeg(1), claim(self.inspection_id))])}

    def ahead(self, **opening: Any) -> dict[str, Any]:
        files = [{"sha256": "a" * 64, "size": 3}]
        return {"opening": self.opening(self.own_site, **opening), "files": files}

    def move(self, to: UUID, **what: Any) -> dict[str, Any]:
        target = {"inspectionId": str(to), "location": "A"}
        return {"id": str(new_id()), "reason": "taken away from its site", "to": target, **what}


def closing() -> dict[str, Any]:
    told = {"parts": 0, "files": 0, "manifestSha256": "0" * 64, "complete": True}
    return {**told, "finishedAt": "2026-09-10T08:00:00Z"}


REPORT = {
    "version": "1", "platform": "p", "clock": "2026-09-10T08:00:00Z", "heldRevisions": [],
    "queuedFiles": 0, "queuedBytes": 0, "spoolFreeBytes": 0,
}  # fmt: skip
LARGE = {"size": LARGE_FROM + 1, "parts": ["0" * 64, "1" * 64]}
SITE = {"name": "Taken", "kind": "works", "timeZone": "Europe/Dublin"}
UNIT = {"id": str(new_id()), "build": "X", "since": "2026-09-01"}
PASSWORDS = {"current": "correct horse battery", "new": "another horse battery"}

# Each names a record of the other site, in the address or in the body.
NAMED: dict[Operation, Callable[[Theirs], dict[str, Any] | None]] = {
    ("get", "/api/v1/accounts/{account_id}"): lambda _: None,
    ("put", "/api/v1/accounts/{account_id}"): lambda it: it.account([it.own_site]),
    ("put", "/api/v1/accounts/{account_id}/password"): lambda _: PASSWORDS,
    ("delete", "/api/v1/accounts/{account_id}"): lambda _: None,
    ("put", "/api/v1/account-proposals/{proposal_id}"): lambda it: {
        "account": str(it.account_id), "roles": ["auditor"], "sites": [it.own_site],
    },
    ("post", "/api/v1/account-proposals/{proposal_id}/decision"): lambda _: {"decision": "confirmed"},
    ("post", "/api/v1/enrolment-codes"): lambda it: {"site": it.site},
    ("put", "/api/v1/agents/{agent_id}/report"): lambda _: REPORT,
    ("post", "/api/v1/agents/{agent_id}/token"): lambda _: None,
    ("delete", "/api/v1/agents/{agent_id}"): lambda _: None,
    ("get", "/api/v1/sites/{code}"): lambda _: None,
    ("put", "/api/v1/sites/{code}"): lambda _: SITE,
    ("get", "/api/v1/sites/{code}/worklist"): lambda _: None,
    ("get", "/api/v1/sites/{code}/people"): lambda _: None,
    ("put", "/api/v1/sites/{code}/people"): lambda _: {"names": ["T. Aken"]},
    ("get", "/api/v1/sites/{code}/retention"): lambda _: None,
    ("put", "/api/v1/sites/{code}/retention"): lambda _: {"days": 0, "mode": "compliance"},
    ("put", "/api/v1/campaigns/{campaign_id}"): lambda it: it.campaign(),
    ("get", "/api/v1/campaigns/{campaign_id}"): lambda _: None,
    ("put", "/api/v1/campaigns/{campaign_id}/units"): lambda it: {"units": [it.serial]},
    ("post", "/api/v1/campaigns/{campaign_id}/closing"): lambda _: None,
    ("get", "/api/v1/campaigns/{campaign_id}/inspections"): lambda _: None,
    ("get", "/api/v1/inspections/{inspection_id}"): lambda _: None,
    ("get", "/api/v1/inspections/{inspection_id}/statements"): lambda _: None,
    ("post", "/api/v1/inspections/{inspection_id}/statements"): lambda it: it.statement(it.inspection_id),
    ("get", "/api/v1/inspections/{inspection_id}/bindings/next"): lambda _: None,
    ("post", "/api/v1/inspections/{inspection_id}/bindings"): lambda it: {
        "id": str(new_id()), "revisionId": str(it.revision_id), "reason": "taken",
    },
    ("put", "/api/v1/units/{serial}"): lambda it: {**UNIT, "type": it.type, "site": it.site},
    ("get", "/api/v1/units/{serial}"): lambda _: None,
    ("post", "/api/v1/units/{serial}/positions"): lambda it: it.position(it.own_site),
    ("get", "/api/v1/units/{serial}/images"): lambda _: None,
    ("get", "/api/v1/units/{serial}/moves"): lambda _: None,
    ("get", "/api/v1/images/{digest}"): lambda _: None,
    ("get", "/api/v1/images/{digest}/download"): lambda _: None,
    ("get", "/api/v1/images/{digest}/content"): lambda _: None,
    ("get", "/api/v1/images/{digest}/thumbnail"): lambda _: None,
    ("put", "/api/v1/cards/{card_id}"): lambda it: it.card(it.site),
    ("get", "/api/v1/cards/{card_id}"): lambda _: None,
    ("put", "/api/v1/card-returns/{return_id}"): lambda it: it.opening(it.site),
    ("put", "/api/v1/card-returns/{return_id}/parts/{part}"): lambda it: it.part(),
    ("put", "/api/v1/card-returns/{return_id}/ahead"): lambda it: it.ahead(),
    ("put", "/api/v1/card-returns/{return_id}/large/{digest}"): lambda _: LARGE,
    ("post", "/api/v1/card-returns/{return_id}/parts/{part}/check"): lambda _: None,
    ("post", "/api/v1/card-returns/{return_id}/commit"): lambda _: closing(),
    ("get", "/api/v1/card-returns/{return_id}"): lambda _: None,
    ("post", "/api/v1/card-returns/{return_id}/refused/{refused_id}"): lambda it: {
        "id": str(new_id()), "reason": "taken away", "statement": it.statement(it.mine),
    },
    ("get", "/api/v1/card-returns/{return_id}/files"): lambda _: None,
    ("get", "/api/v1/card-returns/{return_id}/receipt"): lambda _: None,
    ("post", "/api/v1/images/moves"): lambda it: it.move(it.inspection_id, sightings=[str(it.sighting_id)]),
}  # fmt: skip

# Each answers what the caller may see, and nothing of the other site.
LISTS: set[Operation] = {
    ("get", "/api/v1/accounts"),
    ("get", "/api/v1/account-proposals"),
    ("get", "/api/v1/agents"),
    ("get", "/api/v1/sites"),
    ("get", "/api/v1/campaigns"),
    ("get", "/api/v1/completion"),
    ("get", "/api/v1/units"),
    ("get", "/api/v1/card-returns"),
    ("get", "/api/v1/custody"),
    ("get", "/api/v1/access-events"),
}

# A record of the other site smuggled in beside one of the caller's own.
SMUGGLED: dict[str, tuple[str, str, Callable[[Theirs], dict[str, Any]]]] = {
    "an account for both sites": (
        "put", f"/api/v1/accounts/{new_id()}", lambda it: it.account([it.own_site, it.site])),
    "an account for every site": ("put", f"/api/v1/accounts/{new_id()}", lambda it: it.account(None)),
    "a new campaign over their unit": ("put", f"/api/v1/campaigns/{new_id()}", lambda it: it.campaign()),
    "a statement under another address": (
        "post", "/api/v1/inspections/{mine}/statements", lambda it: it.statement(it.inspection_id)),
    "a card for their inspection": ("put", f"/api/v1/cards/{new_id()}", lambda it: it.card(it.own_site)),
    "a return of their card": (
        "put", f"/api/v1/card-returns/{new_id()}",
        lambda it: it.opening(it.own_site, cardId=str(it.card_id))),
    "a return for their inspection": (
        "put", f"/api/v1/card-returns/{new_id()}",
        lambda it: it.opening(it.own_site, inspectionId=str(it.inspection_id))),
    "their return opened as one's own": (
        "put", "/api/v1/card-returns/{open_return_id}", lambda it: it.opening(it.own_site)),
    "a part of their open return": (
        "put", "/api/v1/card-returns/{open_return_id}/parts/0", lambda it: it.part()),
    "a return of their card, opened by its first part": (
        "put", f"/api/v1/card-returns/{new_id()}/parts/0",
        lambda it: it.part() | {"opening": it.opening(it.own_site, cardId=str(it.card_id))}),
    "their return opened as one's own by a part": (
        "put", "/api/v1/card-returns/{open_return_id}/parts/0",
        lambda it: it.part() | {"opening": it.opening(it.own_site)}),
    "bytes ahead of a return of their card": (
        "put", f"/api/v1/card-returns/{new_id()}/ahead", lambda it: it.ahead(cardId=str(it.card_id))),
    "bytes ahead of their open return": (
        "put", "/api/v1/card-returns/{open_return_id}/ahead", lambda it: it.ahead()),
    "a large file of their open return": (
        "put", f"/api/v1/card-returns/{{open_return_id}}/large/{'ab' * 32}", lambda _: LARGE),
    "a check of their open return": (
        "post", "/api/v1/card-returns/{open_return_id}/parts/0/check", lambda _: {}),
    "the commit of their open return": (
        "post", "/api/v1/card-returns/{open_return_id}/commit", lambda _: closing()),
    "their picture moved here": (
        "post", "/api/v1/images/moves", lambda it: it.move(it.mine, pictures=[str(it.picture_id)])),
    "their sighting placed here": (
        "post", "/api/v1/images/moves", lambda it: it.move(it.mine, sightings=[str(it.sighting_id)])),
    "their unit said to stand here": (
        "post", "/api/v1/units/{serial}/positions", lambda it: it.position(it.own_site)),
}  # fmt: skip


async def everything_at_a_site(yard: Yard, settings: Settings) -> Theirs:
    """What the yard's first site holds; the caller's is its other site, which has one inspection too."""
    card = yard.card(("A/1.JPG", jpeg(new_id().int % 60_000), claim(yard.inspection_id)))
    card_id = new_id()
    loose = yard.card(("X/2.JPG", jpeg(new_id().int % 60_000), None), inspection_id=None)
    await card.go_through(statements=[steps.words(yard.inspection_id)])
    [refused] = (await card.recorded()).refused
    await loose.go_through()
    still_open = yard.card()
    await still_open.open()
    execute(
        settings,
        "INSERT INTO cards (id, site_id, agent_id, inspection_id, revision_id, profile, prepared_at, folders,"
        " recorded_at) VALUES (%s, %s, %s, %s, %s, 'two-levels', now(), 1, now())",
        card_id, yard.made.sites[yard.made.site], yard.agent.id, yard.inspection_id, yard.revision_id,
    )  # fmt: skip
    account_id, _ = token_of_person(settings, ["inspector"], [yard.made.site])
    proposal_id = new_id()
    execute(
        settings,
        "INSERT INTO account_proposals (id, account_id, roles_before, sites_before, roles, sites, "
        "proposed_by, proposed_at) VALUES (%s, %s, '{inspector}', %s, '{approver}', %s, %s, now())",
        proposal_id, account_id, [yard.made.site], [yard.made.site],
        token_of_person(settings, ["administrator"])[0],
    )  # fmt: skip
    (shown,) = await rows_of(
        yard.db, sa.select(unit_images).where(unit_images.c.inspection_id == yard.inspection_id)
    )
    (seen,) = await rows_of(yard.db, sa.select(sightings).where(sightings.c.card_return_id == loose.id))
    return Theirs(
        site=yard.made.site,
        plan=yard.made.plan,
        type=yard.made.type_code,
        serial=yard.serial,
        campaign_id=yard.campaign_id,
        inspection_id=yard.inspection_id,
        revision_id=yard.revision_id,
        card_id=card_id,
        return_id=card.id,
        open_return_id=still_open.id,
        refused_id=refused.id,
        digest=card.files[0].sha256,
        picture_id=shown["id"],
        sighting_id=seen["id"],
        account_id=account_id,
        proposal_id=proposal_id,
        agent_id=yard.agent.id,
        own_site=yard.made.other_site,
        mine=await yard.another_inspection(site=yard.made.other_site),
    )


def held_but_refusals(settings: Settings) -> dict[str, list[Any]]:
    """Refusals are recorded, and who opened a picture before may be recorded a moment later."""
    held = everything_held(settings)
    del held["access_events"], held["picture_reads"]
    others = "SELECT count(*) FROM access_events WHERE kind NOT IN ('refused', 'token_refused')"
    return held | {"events": execute(settings, others)}


def described(service: Running) -> set[Operation]:
    paths = service.client().get("/api/v1/schema/openapi.json").json()["paths"]
    return {(method, path) for path, item in paths.items() for method in item if method != "parameters"}


def outsiders(service: Running, theirs: Theirs) -> dict[str, httpx.Client]:
    return {
        "a person with every role": service.client_for(list(Role), [theirs.own_site]),
        "an agent": service.client(token_of_agent(service.settings, theirs.own_site)[1]),
    }

"""Every operation that the API describes, tried by every role, an agent and nobody: who may not is refused.

An operation that is described and has no row here fails the test. OWASP ASVS 4.0.3, V4.1.3 (least privilege),
from memory. Each across sites: tests/access/test_sites_apart.py.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import httpx
import pytest

from service.access.rules import Role
from service.contract.wire import new_id
from service.settings import Settings
from tests.access.operations import (
    NAMED,
    Operation,
    Theirs,
    described,
    everything_at_a_site,
    held_but_refusals,
)
from tests.intake.factories import Yard
from tests.live_service import Running, token_for_agent

pytestmark = pytest.mark.anyio

AGENT = "the site's agent"
PEOPLE = frozenset(map(str, Role))
ANYBODY = PEOPLE | {AGENT}
PLANNERS = frozenset({"author"})
CAMPAIGNERS = frozenset({"manager"})
KEEPERS = frozenset({"administrator"})
# Who states that a location is complete.
SPEAKERS = frozenset({"inspector", "shift_lead", AGENT})
MOVERS = frozenset({"shift_lead", "engineer"})
BINDERS = frozenset({"shift_lead", "manager"})
READERS_OF_CARDS = frozenset({AGENT})
# Who may read who signed in, was refused, changed what and opened which picture.
LOG_READERS = frozenset({"auditor", "administrator"})
LOOKERS = frozenset({"author", "approver", "auditor", "administrator"})

# Asked without a caller.
OPEN: set[Operation] = {
    ("post", "/api/v1/sessions"),
    ("post", "/api/v1/agents"),
    ("get", "/api/v1/keys"),
    ("get", "/health/live"),
    ("get", "/health/ready"),
}
# Reads of what a site, or every site, holds: whoever is signed in may.
OTHERS_READ: dict[Operation, frozenset[str]] = {
    ("get", "/api/v1/accounts"): KEEPERS,
    ("get", "/api/v1/accounts/{account_id}"): KEEPERS,
    ("get", "/api/v1/custody"): LOOKERS,
    ("get", "/api/v1/access-events"): LOG_READERS,
    ("get", "/api/v1/account-proposals"): KEEPERS,
    ("get", "/api/v1/sessions"): PEOPLE,
}
WRITES: dict[Operation, frozenset[str]] = {
    ("put", "/api/v1/accounts/{account_id}"): KEEPERS,
    # One's own alone, and this is another's.
    ("put", "/api/v1/accounts/{account_id}/password"): frozenset(),
    ("delete", "/api/v1/accounts/{account_id}"): KEEPERS,
    ("put", "/api/v1/account-proposals/{proposal_id}"): KEEPERS,
    ("post", "/api/v1/account-proposals/{proposal_id}/decision"): KEEPERS,
    ("post", "/api/v1/enrolment-codes"): KEEPERS,
    ("post", "/api/v1/agents/{agent_id}/token"): READERS_OF_CARDS,
    ("put", "/api/v1/agents/{agent_id}/report"): READERS_OF_CARDS,
    ("delete", "/api/v1/agents/{agent_id}"): KEEPERS,
    ("put", "/api/v1/sites/{code}"): KEEPERS,
    ("put", "/api/v1/sites/{code}/people"): KEEPERS,
    ("put", "/api/v1/sites/{code}/retention"): KEEPERS,
    ("put", "/api/v1/campaigns/{campaign_id}"): CAMPAIGNERS,
    ("put", "/api/v1/campaigns/{campaign_id}/units"): CAMPAIGNERS,
    ("post", "/api/v1/campaigns/{campaign_id}/closing"): CAMPAIGNERS,
    ("post", "/api/v1/inspections/{inspection_id}/statements"): SPEAKERS,
    ("post", "/api/v1/inspections/{inspection_id}/bindings"): BINDERS,
    ("put", "/api/v1/units/{serial}"): CAMPAIGNERS,
    ("post", "/api/v1/units/{serial}/positions"): CAMPAIGNERS,
    ("put", "/api/v1/cards/{card_id}"): READERS_OF_CARDS,
    ("put", "/api/v1/card-returns/{return_id}"): READERS_OF_CARDS,
    ("put", "/api/v1/card-returns/{return_id}/parts/{part}"): READERS_OF_CARDS,
    ("put", "/api/v1/card-returns/{return_id}/ahead"): READERS_OF_CARDS,
    ("put", "/api/v1/card-returns/{return_id}/large/{digest}"): READERS_OF_CARDS,
    ("post", "/api/v1/card-returns/{return_id}/parts/{part}/check"): READERS_OF_CARDS,
    ("post", "/api/v1/card-returns/{return_id}/commit"): READERS_OF_CARDS,
    ("post", "/api/v1/card-returns/{return_id}/refused/{refused_id}"): SPEAKERS - {AGENT},
    ("post", "/api/v1/card-returns/known"): READERS_OF_CARDS,
    ("post", "/api/v1/images/held"): READERS_OF_CARDS,
    ("post", "/api/v1/images/moves"): MOVERS,
    ("put", "/api/v1/types/{code}"): PLANNERS,
    ("put", "/api/v1/types/{code}/builds/{build}"): PLANNERS,
    ("put", "/api/v1/plans/{code}"): PLANNERS,
    ("put", "/api/v1/plan-revisions/{revision_id}"): PLANNERS,
    ("put", "/api/v1/plan-revisions/{revision_id}/document"): PLANNERS,
    ("post", "/api/v1/plan-revisions/{revision_id}/events"): PLANNERS,
    ("post", "/api/v1/plan-checks"): frozenset({"author", "approver"}),
    ("delete", "/api/v1/sessions/current"): PEOPLE,
    ("delete", "/api/v1/sessions"): PEOPLE,
}
PLAN_BODIES: dict[str, Any] = {
    "/api/v1/types/{code}": {"id": str(new_id()), "name": "Taken"},
    "/api/v1/types/{code}/builds/{build}": {"id": str(new_id()), "name": "Taken"},
    "/api/v1/plans/{code}": {"id": str(new_id()), "title": "Taken", "equipmentType": "T"},
    "/api/v1/plan-revisions/{revision_id}/events": {
        "id": str(new_id()), "kind": "submitted", "replaces": [], "note": None,
    },
    "/api/v1/card-returns/known": {"returns": []},
    "/api/v1/images/held": {"digests": []},
}  # fmt: skip


def may(operation: Operation) -> frozenset[str]:
    if operation in WRITES:
        return WRITES[operation]
    return OTHERS_READ.get(operation, ANYBODY)


@pytest.fixture
async def here(yard: Yard, service_settings: Settings) -> Theirs:
    """What a site holds; whoever asks is of that site."""
    theirs = await everything_at_a_site(yard, service_settings)
    return replace(theirs, own_site=theirs.site, mine=theirs.inspection_id)


def callers(service: Running, here: Theirs) -> dict[str, httpx.Client]:
    people = {str(role): service.client_for([role], [here.site]) for role in Role}
    everybody = {**people, AGENT: service.client(token_for_agent(service.settings, here.agent_id))}
    for client in everybody.values():
        # The first use of a token is noted; what a test then sees written is no such note.
        client.get("/api/v1/callers/me")
    return everybody


def ask(client: httpx.Client, operation: Operation, here: Theirs) -> httpx.Response:
    method, path = operation
    body = NAMED[operation](here) if operation in NAMED else PLAN_BODIES.get(path)
    address = here.fill(path).replace("{build}", "X").replace("{list_id}", "evaluation")
    return client.request(method, address, json=body)


def test_every_operation_has_a_row(service: Running) -> None:
    written = {operation for operation in described(service) if operation[0] != "get"}
    assert written - OPEN == WRITES.keys()
    assert OTHERS_READ.keys() | OPEN <= described(service) | OPEN


async def test_nobody_is_refused_everything_that_is_not_open(service: Running, here: Theirs) -> None:
    before = held_but_refusals(service.settings)
    for client in (service.client(), service.client("no token of ours")):
        for operation in sorted(described(service) - OPEN):
            assert ask(client, operation, here).status_code == 401, operation
    assert held_but_refusals(service.settings) == before


async def test_who_may_not_is_refused_and_nothing_is_written(service: Running, here: Theirs) -> None:
    clients = callers(service, here)
    before = held_but_refusals(service.settings)
    wrong, tried = [], 0
    for operation in sorted(described(service) - OPEN):
        for who in sorted(clients.keys() - may(operation)):
            answer = ask(clients[who], operation, here)
            tried += 1
            if answer.status_code != 403:
                wrong.append((who, operation, answer.status_code, answer.text[:160]))
    assert wrong == [], "\n".join(map(str, wrong))
    assert held_but_refusals(service.settings) == before
    assert tried > 200


async def test_who_may_is_not_refused(service: Running, here: Theirs) -> None:
    """So that the table says who may, and not only who may not. Ends of things come last."""
    last = [
        ("post", "/api/v1/campaigns/{campaign_id}/closing"),
        ("delete", "/api/v1/agents/{agent_id}"),
        ("delete", "/api/v1/sessions/current"),
        ("delete", "/api/v1/sessions"),
    ]
    first = sorted(described(service) - OPEN - set(last))
    clients = callers(service, here)
    wrong = []
    for operation in [*first, *last]:
        if operation in last:
            clients = callers(service, here)
        for who in sorted(may(operation)):
            answer = ask(clients[who], operation, here)
            if answer.status_code in (401, 403) or answer.status_code >= 500:
                wrong.append((who, operation, answer.status_code, answer.text[:160]))
    assert wrong == [], "\n".join(map(str, wrong))

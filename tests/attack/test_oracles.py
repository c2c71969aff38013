from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import httpx
import pytest

from service.contract.wire import new_id
from service.settings import Settings
from tests.access.operations import NAMED, Operation, Theirs, everything_at_a_site, outsiders
from tests.intake.factories import Yard
from tests.live_service import Running

pytestmark = pytest.mark.anyio


@pytest.fixture
async def theirs(yard: Yard, service_settings: Settings) -> Theirs:
    return await everything_at_a_site(yard, service_settings)


# That there is a site is no secret; what is asked for here is named by its site's code.
BY_SITE = ("/api/v1/sites/{code}", "/api/v1/enrolment-codes")
# Whoever makes a record makes its id: one that is taken cannot be made, and nobody guesses it.
MADE_HERE = {
    ("put", "/api/v1/accounts/{account_id}"),
    ("put", "/api/v1/campaigns/{campaign_id}"),
    ("put", "/api/v1/card-returns/{return_id}/parts/{part}"),
    ("put", "/api/v1/card-returns/{return_id}/ahead"),
    ("put", "/api/v1/card-returns/{return_id}/large/{digest}"),
}
MOVES = ("post", "/api/v1/images/moves")


def nobodys(it: Theirs) -> Theirs:
    """The same names, of records that are nowhere."""
    ids = ("campaign_id", "inspection_id", "card_id", "return_id", "open_return_id", "refused_id")
    more = ("picture_id", "sighting_id", "account_id", "agent_id")
    fresh = {name: new_id() for name in ids + more}
    return replace(it, **fresh, serial=f"{it.serial[:-1]}9", digest=new_id().hex * 2)


def told(client: httpx.Client, operation: Operation, it: Theirs) -> tuple[int, Any]:
    """Status and words of the answer, without what the caller sent himself."""
    method, path = operation
    body = NAMED[operation](it)
    answer = client.request(method, it.fill(path), json=body)
    text = answer.text
    for name in [*map(str, vars(it).values()), str(answer.headers.get("x-request-id"))]:
        text = text.replace(name, "*")
    # Serial numbers that are alike are those of the caller's own sites.
    return answer.status_code, re.sub(r'"errors":\[.*?\]', "", re.sub(r"[0-9a-f-]{36}", "*", text))


async def test_an_answer_does_not_tell_whether_a_record_of_another_site_exists(
    service: Running, theirs: Theirs
) -> None:
    """OWASP ASVS 4.0.3 V4.2.1, CWE-203 (from memory)."""
    nowhere, differ = nobodys(theirs), []
    for who, client in outsiders(service, theirs).items():
        for operation in sorted(NAMED):
            if operation[1].startswith(BY_SITE) or operation in MADE_HERE | {MOVES}:
                continue
            there, none = told(client, operation, theirs), told(client, operation, nowhere)
            if there != none:
                differ.append((who, *operation, there, none))
    assert differ == [], "\n".join(map(str, differ))

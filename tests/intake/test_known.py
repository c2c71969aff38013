"""An agent asks which of its card returns the service knows; after an older backup was restored, not all."""

from __future__ import annotations

import httpx
import pytest

from service.contract.comparing import ReturnsAsked
from service.contract.wire import new_id
from service.intake.actions.returns import known_returns
from tests.access.operations import held_but_refusals
from tests.intake.factories import CardBack, Yard, claim, fresh_seed, jpeg
from tests.live_service import Running, token_of_agent

pytestmark = pytest.mark.anyio


def _card(yard: Yard) -> CardBack:
    return yard.card(("A/1.JPG", jpeg(fresh_seed()), claim(yard.inspection_id)))


def _named(card: CardBack, manifest: str | None = None) -> dict[str, str]:
    return {"id": str(card.id), "manifestSha256": manifest or card.closing().manifest_sha256}


def _ask(agent: httpx.Client, *returns: dict[str, str]) -> httpx.Response:
    return agent.post("/api/v1/card-returns/known", json={"returns": list(returns)})


async def test_i6_known_is_what_is_committed_with_that_manifest_and_nothing_else(
    service: Running, yard: Yard
) -> None:
    committed, second, still_open = _card(yard), _card(yard), _card(yard)
    for card in (committed, second):
        await card.go_through()
    await still_open.send_manifest()
    agent = service.client(token_of_agent(yard.settings, yard.made.site)[1])
    never = {"id": str(new_id()), "manifestSha256": "0" * 64}
    asked = [
        _named(second), _named(still_open), never, _named(committed), _named(committed),
        _named(second, "0" * 64),
    ]  # fmt: skip
    before = held_but_refusals(service.settings)
    answer = _ask(agent, *asked)
    assert answer.status_code == 200
    assert answer.json()["known"] == [str(second.id), str(committed.id)]
    assert held_but_refusals(service.settings) == before, "asking writes nothing"
    swapped = {**_named(committed), "manifestSha256": second.closing().manifest_sha256}
    assert _ask(agent, swapped).json()["known"] == []


async def test_committed_counts_the_returns_of_the_asking_agent(yard: Yard) -> None:
    """The count is the cheap question: an agent that holds more receipts knows that something was lost."""
    none = ReturnsAsked(returns=[])

    async def committed() -> int:
        return (await known_returns(yard.db, yard.agent, none.returns)).committed

    assert await committed() == 0
    await _card(yard).go_through()
    still_open = _card(yard)
    await still_open.open()
    assert await committed() == 1
    await still_open.upload(await still_open.send_manifest())
    await still_open.commit()
    await still_open.commit()
    assert await committed() == 2


async def test_only_an_agent_of_the_site_is_told(service: Running, yard: Yard) -> None:
    card = _card(yard)
    await card.go_through()
    own = service.client(token_of_agent(yard.settings, yard.made.site)[1])
    other = service.client(token_of_agent(yard.settings, yard.made.other_site)[1])
    assert _ask(own, _named(card)).json() == {"known": [str(card.id)], "committed": 0}
    assert _ask(other, _named(card)).json() == {"known": [], "committed": 0}
    person = service.client_for(["auditor", "administrator", "inspector"])
    assert _ask(person, _named(card)).status_code == 403
    assert _ask(service.client(), _named(card)).status_code == 401


async def test_bad_questions_are_refused(service: Running, yard: Yard) -> None:
    agent = service.client(token_of_agent(yard.settings, yard.made.site)[1])
    good = {"id": str(new_id()), "manifestSha256": "0" * 64}
    assert _ask(agent, *([good] * 1000)).status_code == 200
    for bad in (
        [good] * 1001,
        [{**good, "manifestSha256": "0" * 63}],
        [{**good, "id": "7"}],
        [{"id": good["id"]}],
        [{**good, "more": 1}],
    ):
        answer = _ask(agent, *bad)
        assert answer.status_code == 400
        assert answer.json()["consequence"]

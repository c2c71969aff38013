"""No caller of one site reads or writes another's, on every operation that the API describes.

An operation that is described and stands in none of the lists below fails the test, so that a new route
has to say which it is.
"""

from __future__ import annotations

import pytest
import sqlalchemy as sa

from service.access.rules import Role
from service.campaigns.store.tables import unit_images
from service.contract.records import MoveIn, MoveTarget
from service.contract.wire import new_id
from service.errors import NotAllowed
from service.intake.actions.moves import move_pictures
from service.settings import Settings
from tests import factories
from tests.access.operations import (
    LISTS,
    NAMED,
    OWN_OR_PUBLIC,
    SHARED_PREFIXES,
    SMUGGLED,
    Theirs,
    described,
    everything_at_a_site,
    held_but_refusals,
    outsiders,
)
from tests.campaigns import steps
from tests.intake.factories import Yard, claim, jpeg, rows_of
from tests.live_service import Running

pytestmark = pytest.mark.anyio


@pytest.fixture
async def theirs(yard: Yard, service_settings: Settings) -> Theirs:
    return await everything_at_a_site(yard, service_settings)


def test_every_operation_is_known_here(service: Running) -> None:
    told = {one for one in described(service) if not one[1].startswith(SHARED_PREFIXES)}
    assert told == OWN_OR_PUBLIC | NAMED.keys() | LISTS


async def test_a_record_of_another_site_is_neither_read_nor_written(service: Running, theirs: Theirs) -> None:
    clients = outsiders(service, theirs)
    before = held_but_refusals(service.settings)
    wrong = []
    for who, client in clients.items():
        for (method, path), body in NAMED.items():
            answer = client.request(method, theirs.fill(path), json=body(theirs))
            if answer.status_code not in (403, 404):
                wrong.append((who, method, path, answer.status_code, answer.text[:200]))
    assert wrong == []
    assert held_but_refusals(service.settings) == before


async def test_a_record_of_another_site_cannot_be_smuggled_in(service: Running, theirs: Theirs) -> None:
    clients = outsiders(service, theirs)
    before = held_but_refusals(service.settings)
    wrong = []
    for who, client in clients.items():
        for what, (method, path, body) in SMUGGLED.items():
            answer = client.request(method, theirs.fill(path), json=body(theirs))
            if answer.status_code not in (400, 403, 404, 409, 422):
                wrong.append((who, what, answer.status_code, answer.text[:200]))
    assert wrong == []
    assert held_but_refusals(service.settings) == before


async def test_lists_hold_nothing_of_another_site(service: Running, theirs: Theirs) -> None:
    wrong = []
    for who, client in outsiders(service, theirs).items():
        for _, path in sorted(LISTS):
            for query in (
                {"limit": 500},
                {"limit": 500, "site": theirs.site},
                {"campaign": theirs.campaign_id},
            ):
                answer = client.get(path, params={name: str(value) for name, value in query.items()})
                read = [mark for mark in theirs.marks if answer.status_code < 300 and mark in answer.text]
                if read or answer.status_code not in (200, 403):
                    wrong.append((who, path, query, answer.status_code, read))
    assert wrong == []
    insider = service.client_for(["auditor"], [theirs.site])
    assert theirs.serial in insider.get("/api/v1/units").text


async def test_who_had_a_unit_once_sees_no_moves_made_where_it_went(
    service: Running, yard: Yard, theirs: Theirs
) -> None:
    """The unit left for the other site and is inspected there; its first site reads on what was done at
    the first site, not what is done at the other one."""
    first, second = theirs.site, theirs.own_site
    other_serial = (await factories.add_units(yard.db, yard.made, 1, site=second))[0]
    manager = service.client_for(["manager"])
    moved = manager.post(f"/api/v1/units/{yard.serial}/positions", json=theirs.position(second))
    assert moved.status_code == 200
    opened = await steps.campaign(yard.db, yard.made, [yard.serial, other_serial])
    here, there = sorted(await steps.rows(yard.db, opened.id), key=lambda row: row.unit != yard.serial)
    agent = await factories.agent(yard.db, yard.made, second)
    card = yard.card(("A/3.JPG", jpeg(60_500), claim(here.id)), site=second, inspection_id=here.id)
    await card.upload((await card.open(agent), await card.put_part(0, agent=agent))[1].lacking)
    await card.commit(agent)
    (shown,) = await rows_of(yard.db, sa.select(unit_images).where(unit_images.c.inspection_id == here.id))
    lead = await factories.person(yard.db, Role.SHIFT_LEAD)
    wanted = MoveIn(
        id=new_id(),
        reason="wrong unit",
        to=MoveTarget(inspection_id=there.id, location="A"),
        pictures=[shown["id"]],
    )
    await move_pictures(yard.db, lead, wanted)
    with pytest.raises(NotAllowed):  # not even by repeating it word for word
        await move_pictures(yard.db, await factories.person(yard.db, Role.SHIFT_LEAD, at=[first]), wanted)
    path = f"/api/v1/units/{yard.serial}/moves"
    assert str(wanted.id) in service.client_for(["auditor"], [second]).get(path).text
    answer = service.client_for(["auditor"], [first]).get(path)
    assert (answer.status_code, answer.json()["items"]) == (200, [])

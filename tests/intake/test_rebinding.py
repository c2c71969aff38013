"""Pictures claimed for a location the inspection did not have come to it with the binding (I10, I12)."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import pytest
import sqlalchemy as sa

from service.access.rules import Role
from service.campaigns.store.tables import unit_images
from service.contract.campaigns import BindingIn
from service.contract.records import MoveIn, MoveTarget
from service.contract.wire import new_id
from service.database import server_now
from service.intake.actions.binding import rebind
from service.intake.actions.moves import move_pictures
from service.intake.store.tables import placements
from service.records.actions.history import unit_history
from service.records.actions.images import read_image
from service.records.store.history import Wanted
from tests import factories
from tests.intake.factories import Yard, assert_sound, claim, fresh_seed, jpeg, rows_of, shown_at

pytestmark = pytest.mark.anyio


async def _publish(yard: Yard) -> UUID:
    """Revision B has D and E beside the places of A."""
    places = [factories.location(key, "XY", pictures=2, mandatory=key == "A") for key in "ABCDE"]
    async with yard.db.begin() as connection:
        return await factories.add_revision(connection, yard.made, "B", places, effective_from=server_now())


async def _row(yard: Yard, digest: str) -> Any:
    (row,) = await rows_of(yard.db, sa.select(unit_images).where(unit_images.c.digest == digest))
    return row


async def test_i12_a_binding_that_brings_a_location_brings_the_pictures_claimed_for_it(yard: Yard) -> None:
    here, bodies = yard.inspection_id, [jpeg(fresh_seed()) for _ in range(4)]
    card = yard.card(
        ("D/1.JPG", bodies[0], claim(here, "D", element=5, element_last=6, evaluation="refer", note="nick")),
        ("D/2.JPG", bodies[1], claim(here, "D", confidence=0.5)),
        ("Z/3.JPG", bodies[2], claim(here, "Z")),
        ("E/4.JPG", bodies[3], claim(here, "E")),
    )
    await card.go_through()
    first, second, unknown, moved = (file.sha256 for file in card.files)
    lead = await factories.person(yard.db, Role.SHIFT_LEAD, at=[yard.made.site])
    by_hand = MoveTarget(inspection_id=here, location="A")
    picture = (await _row(yard, moved))["id"]
    await move_pictures(yard.db, lead, MoveIn(id=new_id(), reason="it is A", to=by_hand, pictures=[picture]))
    wanted = BindingIn(id=new_id(), revision_id=await _publish(yard), reason="Revision B adds D")
    answer = await rebind(yard.db, lead, here, wanted)
    assert await shown_at(yard.db, here) == {
        ("D", 5, first): 1,
        ("D", 0, second): 1,
        ("", 0, unknown): 1,
        ("A", 0, moved): 1,
    }
    assert {at.key: at.pictures_held for at in answer.inspection.locations if at.pictures_held} == {
        "A": 1,
        "D": 2,
    }
    assert (answer.inspection.counts.pictures_held, answer.inspection.pictures_uncounted) == (3, 1)
    await assert_sound(yard)

    row = await _row(yard, first)
    assert (row["element_last"], row["evaluation"], row["note"]) == (6, "refer", "nick")
    image, _ = await read_image(yard.db, lead, first)
    facts = image.sightings[0].placements
    assert [(fact.location, fact.claimed_location, fact.rule, fact.standing) for fact in facts] == [
        (None, "D", "folder", False),
        ("D", None, "binding", True),
    ]
    assert (facts[1].reason, facts[1].by, facts[1].replaces) == (wanted.reason, lead.name, [facts[0].id])
    (item,) = await unit_history(yard.db, lead, yard.serial, Wanted(location="D", element=6), None, 5)
    assert (item.rule, item.revision, item.moved) == ("binding", "B", False)

    assert await rebind(yard.db, lead, here, wanted) == answer
    query = sa.select(placements.c.id).where(placements.c.binding_id == wanted.id)
    assert len(await rows_of(yard.db, query)) == 2, "the same binding again writes no further fact"
    await assert_sound(yard)

"""What is kept beside the facts is damaged by hand in every projection: the recount finds it and mends it."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from uuid import UUID

import pytest
import sqlalchemy as sa

from service.access.rules import Role
from service.contract.records import MoveIn, MoveTarget, PositionIn
from service.contract.wire import new_id
from service.custody.actions.reading import record_readings
from service.database import Database, server_now
from service.facts.projections import recount
from service.intake.actions.moves import move_pictures
from service.records.actions.units import move_unit
from service.recounts import PROJECTIONS
from service.settings import Settings
from tests import factories
from tests.campaigns import steps
from tests.commands.in_process import sightledger
from tests.intake.factories import Yard, claim, jpeg, rows_of
from tests.live_service import execute

pytestmark = pytest.mark.anyio

# By projection: what somebody does to the tables past the service.
DAMAGE = {
    "positions": ["UPDATE units SET position = 'nowhere'"],
    "bindings": [
        "UPDATE inspection_locations SET pictures_required = 9",
        "UPDATE inspection_locations SET applicable = NOT applicable, ordinal = ordinal + 50",
        "DELETE FROM inspection_locations WHERE location_key = 'B'",
    ],
    "history": [
        "UPDATE unit_images SET element = 7",
        "DELETE FROM unit_images",
        "UPDATE unit_images SET evaluation = 'acceptable', counted = NOT counted",
    ],
    "inspections": [
        "UPDATE inspections SET complete = NOT complete, pictures_unplaced = 3",
        "UPDATE inspection_locations SET state = 'complete', heads = ARRAY[gen_random_uuid()]",
        "UPDATE inspection_locations SET pictures_held = pictures_held + 1",
    ],
    "completion": [
        "UPDATE completion SET locations = 1, complete = complete + 1",
        "DELETE FROM completion",
    ],
    "custody": [
        "UPDATE image_custody SET outcome = 'sound', number = 1",
        "DELETE FROM image_custody",
        "UPDATE images SET unsound_at = now()",
        "UPDATE images SET site = 'ELSEWHERE'",
    ],
}


async def fold_again(db: Database, *, repair: bool = False) -> dict[str, int]:
    """By projection how many values differ."""
    differing = dict.fromkeys((projection.name for projection in PROJECTIONS), 0)
    for projection in PROJECTIONS:
        async for _, found in recount(db, projection, repair=repair):
            differing[projection.name] += len(found)
    return differing


async def worked(yard: Yard) -> None:
    """A card with pictures and a statement, a move, readings that differ, and a unit that was moved."""
    card = yard.card(
        ("A/1.JPG", jpeg(1), claim(yard.inspection_id, "A")),
        ("A/2.JPG", jpeg(2), claim(yard.inspection_id, "A")),
        ("B/3.JPG", jpeg(3), claim(yard.inspection_id, "B")),
        ("4.JPG", jpeg(4), None),
    )
    await card.go_through()
    lead = await factories.person(yard.db, Role.SHIFT_LEAD)
    await steps.say(yard.db, lead, yard.inspection_id, "complete", "A")
    shown = await rows_of(yard.db, sa.text("SELECT id FROM unit_images WHERE location_key = 'B'"))
    to = MoveTarget(yard.inspection_id, "C", None)
    await move_pictures(yard.db, lead, MoveIn(id=new_id(), reason="wrong", pictures=[shown[0]["id"]], to=to))
    manager = await factories.person(yard.db, Role.MANAGER)
    place = PositionIn(id=new_id(), site=yard.made.site, position="Hall 2", since=server_now().date())
    await move_unit(yard.db, manager, yard.serial, place)
    await read_back(yard.db, "damaged")
    await read_back(yard.db, "sound", one=True)


async def read_back(db: Database, outcome: str, *, one: bool = False) -> None:
    held = await rows_of(db, sa.text("SELECT digest, site FROM images ORDER BY 1"))
    words = {"run_id": new_id(), "outcome": outcome, "told": None, "kept_version": None}
    readings = [{**row, **words, "read_at": server_now()} for row in held[: 1 if one else None]]
    async with db.begin() as connection:
        await record_readings(connection, readings)


@pytest.mark.parametrize("name", DAMAGE)
async def test_i3_damage_is_found_in_its_projection_and_repaired(
    yard: Yard, settings: Settings, name: str
) -> None:
    await worked(yard)
    nothing = dict.fromkeys(DAMAGE, 0)
    assert await fold_again(yard.db) == nothing
    for damage in DAMAGE[name]:
        before = await everything_kept(yard.db)
        execute(settings, damage)
        assert (await fold_again(yard.db))[name] > 0, damage
        assert (await fold_again(yard.db, repair=True))[name] > 0, damage
        assert await fold_again(yard.db) == nothing, damage
        assert await everything_kept(yard.db) == before, damage


KEPT = (
    "units",
    "inspections",
    "inspection_locations",
    "unit_images",
    "completion",
    "image_custody",
    "images",
)


async def everything_kept(db: Database) -> dict[str, list[str]]:
    """All rows of the tables of projections, without what no fact says."""
    kept = {}
    for table in KEPT:
        rows = await rows_of(db, sa.text(f"SELECT to_jsonb(t) - 'version' AS row FROM {table} t"))
        kept[table] = sorted(str(row["row"]) for row in rows)
    return kept


async def test_the_command_tells_each_value_ends_with_1_and_repairs(yard: Yard, settings: Settings) -> None:
    await worked(yard)
    clean = await asyncio.to_thread(sightledger, settings, "recount")
    assert (clean.returncode, clean.stdout) == (0, "")
    assert "completion: 1 recounted, 0 values differ" in clean.stderr
    async with yard.db.begin() as connection:
        await connection.execute(sa.text("UPDATE completion SET complete = 40"))
    found = await asyncio.to_thread(sightledger, settings, "recount")
    assert found.returncode == 1
    assert found.stdout.startswith(f"completion: campaign {yard.campaign_id}: ")
    assert "complete: kept 40, follows 1" in found.stdout
    assert "`sightledger recount --repair`" in found.stderr
    mended = await asyncio.to_thread(sightledger, settings, "recount", "--repair")
    assert (mended.returncode, mended.stdout) == (0, found.stdout)
    assert (await asyncio.to_thread(sightledger, settings, "recount")).returncode == 0


async def test_i3_a_row_of_the_roll_up_that_no_inspection_gives_is_emptied(yard: Yard) -> None:
    stray = (
        "INSERT INTO completion (campaign_id, site_id, type_id, locations)"
        " VALUES (:campaign, :site, :type, 4)"
    )
    values = {
        "campaign": yard.campaign_id,
        "site": yard.made.sites[yard.made.other_site],
        "type": yard.made.type_id,
    }
    async with yard.db.begin() as connection:
        await connection.execute(sa.text(stray), values)
    assert (await fold_again(yard.db, repair=True))["completion"] > 0
    assert (await fold_again(yard.db))["completion"] == 0


async def test_i3_over_random_histories_the_recount_finds_what_was_damaged_and_nothing_else(
    yard: Yard, settings: Settings
) -> None:
    """200 histories of statements, pictures and readings; each is damaged at one place of one projection."""
    draw = random.Random(20261127)
    lead = await factories.person(yard.db, Role.SHIFT_LEAD)
    damages = [(name, damage) for name, some in DAMAGE.items() for damage in some]
    await worked(yard)
    for _ in range(200):
        await something(yard, lead, draw)
        name, damage = draw.choice(damages)
        before = await everything_kept(yard.db)
        execute(settings, damage)
        changed = await everything_kept(yard.db) != before
        differing = await fold_again(yard.db)
        assert bool(differing[name]) == changed, damage
        await fold_again(yard.db, repair=True)
        assert await everything_kept(yard.db) == before, damage


async def something(yard: Yard, lead: factories.Caller, draw: random.Random) -> None:
    deeds: list[Callable[[], object]] = []

    async def say() -> None:
        kind = draw.choice(["complete", "reopened"])
        await steps.say(yard.db, lead, yard.inspection_id, kind, draw.choice(["A", "B", "AC", "ABC"]))

    async def read() -> None:
        await read_back(yard.db, draw.choice(["sound", "damaged", "missing"]), one=draw.random() < 0.5)

    async def move() -> None:
        shown = await rows_of(yard.db, sa.text("SELECT id FROM unit_images ORDER BY id"))
        picked: UUID = draw.choice(shown)["id"]
        to = MoveTarget(yard.inspection_id, draw.choice(["A", "B", "C", None]), None)
        await move_pictures(yard.db, lead, MoveIn(id=new_id(), reason="again", pictures=[picked], to=to))

    deeds += [say, read, move]
    await draw.choice(deeds)()  # type: ignore[misc]

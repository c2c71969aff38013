"""The second wall between sites: what the database lets a transaction of one site see and write of another's.

OWASP ASVS 4.0.3, 4.1.1, 4.1.5 and 4.2.1 (access control fails closed, and holds below the code that asks for
it), CWE-639 and CWE-862, from memory.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import psycopg
import pytest
import sqlalchemy as sa
from litestar.testing import TestClient
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access import auth
from service.access.rules import Caller, Role
from service.app import create_app
from service.campaigns.store.places import unit_images_by_id
from service.campaigns.store.statements import statements_of
from service.campaigns.store.tables import statements, unit_images
from service.contract.records import MoveIn, MoveTarget
from service.contract.wire import new_id
from service.database import EVERY, EVERY_SITE, NO_SITE, Database, acting_for, metadata, server_now
from service.facts.store import append
from service.intake.actions.moves import move_pictures
from service.intake.store import returns
from service.intake.store.large import await_files
from service.intake.store.tables import cards
from service.settings import Settings
from service.walls import policies, read_across_sites
from tests import factories
from tests.campaigns import steps
from tests.intake.factories import CardBack, Yard, claim, fresh_seed, jpeg, rows_of
from tests.live_service import execute, token_for_agent, token_of_person

pytestmark = pytest.mark.anyio

WALLED = sorted(name for name, table in metadata.tables.items() if "site" in table.info)
APART = [name for name in WALLED if not metadata.tables[name].info["read_by_all"]]
# What belongs to a site and has no policy, with the reason.
OPEN = {
    "sites": "every caller may read where a unit stood before",
    "site_people": "accounts and people are looked up before a caller is known",
    "agents": "a workstation is looked up by its token before a caller is known",
    "enrolment_codes": "a code is looked up before a caller is known",
    "access_events": "a sign-in is noted before a caller is known",
    "picture_reads": "reads of many callers are written together, outside of any request",
    "revision_events": "plans, and where they are effective, are for every site to read",
    "accounts": "accounts and people are looked up before a caller is known",
    "account_proposals": "an account is of several sites, and so is what is proposed for it",
    "units": "a unit is seen where it stands and where it was inspected",
    "unit_positions": "a unit's positions are those at every site",
    "inspections": "whoever names one of another site is told so",
    "retention_policies": "an original is locked by the policies of every site that saw it",
}
BEHIND = psycopg.errors.InsufficientPrivilege


@pytest.fixture
async def card(yard: Yard) -> CardBack:
    """A yard whose site holds a row in every table; `still_open` is a further card return of it."""
    refused = steps.words(yard.inspection_id, kind="not_inspected", reason="no such reason")
    back = yard.card(
        ("A/1.JPG", jpeg(fresh_seed()), claim(yard.inspection_id)),
        ("A/2.JPG", jpeg(fresh_seed()), claim(yard.inspection_id)),
    )
    await back.go_through(statements=[refused])
    lead = await factories.person(yard.db, Role.SHIFT_LEAD)
    await steps.say(yard.db, lead, yard.inspection_id, "complete", "B")
    shown = await rows_of(yard.db, sa.select(unit_images.c.id).where(_here(yard)))
    target = MoveTarget(inspection_id=yard.inspection_id, location="C")
    moved = MoveIn(id=new_id(), reason="wrong place", to=target, pictures=[shown[0]["id"]])
    await move_pictures(yard.db, lead, moved)
    waiting = yard.card()
    await waiting.open()
    async with yard.db.begin() as connection:
        await await_files(connection, waiting.id, {"ab" * 32: 9})
        prepared = {
            "id": new_id(),
            "site_id": yard.made.sites[yard.made.site],
            "inspection_id": yard.inspection_id,
            "revision_id": yard.revision_id,
            "profile": "two-levels",
            "folders": 1,
            "prepared_at": server_now(),
        }
        await append(connection, cards, [prepared], yard.agent)
        refusal = (await back.recorded()).refused[0]
        settled = {"id": new_id(), "refused_id": refusal.id, "reason": "a slip"}
        await append(connection, metadata.tables["refusals_settled"], [settled], lead)
    return back


def _here(yard: Yard) -> sa.ColumnElement[bool]:
    return unit_images.c.inspection_id == yard.inspection_id


@pytest.fixture
async def writer(settings: Settings) -> AsyncIterator[Database]:
    """A service that is for no site unless a transaction says for which."""
    database = Database(settings.database_url, pool_size=1)
    yield database
    await database.close()


def places(settings: Settings, site: str, name: str) -> list[str]:
    """Where the rows of a site are, as the owner sees it."""
    table = metadata.tables[name]
    *keys, last = table.info["site"]
    joined, child = name, table
    for key in keys:
        [reference] = child.columns[key].foreign_keys
        parent = reference.column.table
        joined += f" JOIN {parent.name} ON {parent.name}.id = {child.name}.{key}"
        child = parent
    query = (
        f"SELECT {name}.ctid::text FROM {joined} JOIN sites site ON site.id = {child.name}.{last}"
        f" WHERE site.code = %s"
    )
    if name == "card_returns":
        query += " ORDER BY committed_at NULLS FIRST"
    return [row[0] for row in execute(settings, query, site)]


async def seen(connection: AsyncConnection, name: str, at: list[str]) -> int:
    query = sa.text(f"SELECT count(*) FROM {name} WHERE ctid = ANY(CAST(:at AS tid[]))")
    return int(await connection.scalar(query, {"at": at}) or 0)


async def outcome(db: Database, scope: str, statement: str, at: str) -> str:
    """What becomes of a statement about one row in a transaction that reads all sites; it is undone."""
    try:
        async with db.begin(scope) as connection:
            await read_across_sites(connection)
            done = await connection.execute(sa.text(statement), {"at": at})
            changed = done.rowcount
            await connection.rollback()
            return f"{changed} changed"
    except sa.exc.DBAPIError as error:
        return str(error.orig)


def test_each_table_that_names_a_site_has_policies_or_a_reason_why_not() -> None:
    named = {
        name
        for name, table in metadata.tables.items()
        for key in table.foreign_keys
        if key.column.table.name == "sites"
    }
    named |= {name for name, table in metadata.tables.items() if "sites" in table.c}
    assert (named | {"sites"}) - set(WALLED) == set(OPEN)
    assert all(policies(metadata.tables[name]) for name in WALLED)


async def test_a_row_of_another_site_is_not_seen_and_without_a_site_none_is(
    yard: Yard, card: CardBack, settings: Settings, writer: Database
) -> None:
    mine, other = yard.made.site, yard.made.other_site
    for name in WALLED:
        at = places(settings, mine, name)
        assert at, name
        found = {}
        for scope in (mine, other, NO_SITE, EVERY_SITE, f"{other},{mine}", "a'b"):
            async with writer.begin(scope) as connection:
                found[scope] = await seen(connection, name, at)
        everything = dict.fromkeys(found, len(at))
        nothing = {other: 0, "a'b": 0} if name in APART else {}
        assert found == everything | nothing | {NO_SITE: 0}, name


async def test_a_row_of_another_site_is_not_written_even_by_who_reads_all_sites(
    yard: Yard, card: CardBack, settings: Settings, writer: Database
) -> None:
    mine, other = yard.made.site, yard.made.other_site
    for name in WALLED:
        table, at = metadata.tables[name], places(settings, mine, name)[0]
        adds = f"INSERT INTO {name} SELECT * FROM {name} WHERE ctid = CAST(:at AS tid)"
        assert "row-level security" in await outcome(writer, other, adds, at), name
        unscoped = await outcome(writer, NO_SITE, adds, at)
        assert "row-level security" in unscoped or unscoped == "0 changed", name
        # The wall let it through, and only then the key was found taken.
        for scope in (mine, EVERY_SITE):
            assert "duplicate key" in await outcome(writer, scope, adds, at), name
        if changing := table.info["changing"]:
            column = list(table.columns.keys())[-1] if changing == (EVERY,) else changing[0]
            changes = f"UPDATE {name} SET {column} = {column} WHERE ctid = CAST(:at AS tid)"
            assert "row-level security" in await outcome(writer, other, changes, at), name
            assert await outcome(writer, mine, changes, at) == "1 changed", name
        if table.info.get("deleted"):
            removes = f"DELETE FROM {name} WHERE ctid = CAST(:at AS tid)"
            assert await outcome(writer, other, removes, at) == "0 changed", name
            assert await outcome(writer, mine, removes, at) == "1 changed", name


async def test_a_store_function_that_is_called_with_ids_of_another_site_finds_and_writes_nothing(
    yard: Yard, card: CardBack, writer: Database
) -> None:
    mine, other = yard.made.site, yard.made.other_site
    picture = (await rows_of(yard.db, sa.select(unit_images.c.id).where(_here(yard))))[0]["id"]
    part = {"card_return_id": card.id, "part": 9, "files": 0, "body": b"", "body_sha256": ""}
    said = {"id": new_id(), "inspection_id": yard.inspection_id, "kind": "complete", "locations": ["A"]}

    async def read(connection: AsyncConnection) -> list[Any]:
        return [
            await returns.return_by_id(connection, card.id),
            await returns.receipt_bodies(connection, card.id),
            await returns.part_body(connection, card.id, 0),
            (await statements_of(connection, [yard.inspection_id]))[yard.inspection_id],
            await unit_images_by_id(connection, [picture]),
            await returns.files_page(connection, card.id, -1, 10, False),
        ]

    async with writer.begin(mine) as connection:
        assert all(await read(connection))
        listed = await returns.returns_page(connection, None, None, 500)
        assert {row.site for row in listed} == {mine}
    async with writer.begin(other) as connection:
        assert not any(await read(connection))
        assert await returns.returns_page(connection, None, None, 500) == []
    async with writer.begin(other) as connection:
        with pytest.raises(sa.exc.ProgrammingError, match="row-level security"):
            await returns.insert_part(connection, part)
    async with writer.begin(other) as connection:
        with pytest.raises(sa.exc.ProgrammingError, match="row-level security"):
            await append(connection, statements, [{**said, "every_location": False}], yard.agent)


async def test_the_site_of_one_transaction_is_not_that_of_the_next_on_the_same_connection(
    yard: Yard, card: CardBack, settings: Settings, writer: Database
) -> None:
    at, backends = places(settings, yard.made.site, "sightings"), set()
    for _ in range(8):  # often enough that the driver prepares the statements
        for scope, expected in ((yard.made.site, len(at)), (NO_SITE, 0), (EVERY_SITE, len(at))):
            async with writer.begin(scope) as connection:
                backends.add(await connection.scalar(sa.text("SELECT pg_backend_pid()")))
                assert await seen(connection, "sightings", at) == expected
        with suppress(ZeroDivisionError):
            async with writer.begin(EVERY_SITE) as connection:
                await read_across_sites(connection)
                raise ZeroDivisionError
    assert len(backends) == 1


async def test_callers_at_the_same_time_see_each_their_own_site(
    yard: Yard, card: CardBack, settings: Settings
) -> None:
    at, db = places(settings, yard.made.site, "sightings"), Database(settings.database_url, pool_size=4)

    async def asks(scope: str) -> int:
        with acting_for(scope):
            await asyncio.sleep(0)
            async with db.begin() as connection:
                await asyncio.sleep(0.01)
                return await seen(connection, "sightings", at)

    scopes = [yard.made.site, yard.made.other_site, EVERY_SITE, NO_SITE] * 5
    try:
        assert await asyncio.gather(*map(asks, scopes)) == [len(at), 0, len(at), 0] * 5
        async with db.begin() as connection:
            assert await seen(connection, "sightings", at) == 0
    finally:
        await db.close()


@pytest.fixture
def in_process(settings: Settings, tmp_path: Path) -> Iterator[TestClient[Any]]:
    """The service in this process, where a test can leave out what its code checks."""
    with TestClient(create_app(settings)) as client:
        yield client


async def test_a_check_of_the_site_that_the_code_forgets_shows_no_record_of_another_site(
    yard: Yard, card: CardBack, settings: Settings, in_process: TestClient[Any], monkeypatch: Any
) -> None:
    """`Caller.at` and `Caller.must` stand for every check of a site above the database."""
    paths = [
        f"/api/v1/card-returns/{card.id}",
        f"/api/v1/card-returns/{card.id}/files",
        f"/api/v1/card-returns/{card.id}/receipt",
        f"/api/v1/inspections/{yard.inspection_id}/statements",
    ]
    token = token_of_person(settings, list(Role), [yard.made.other_site])[1]

    def asked() -> list[str]:
        headers = {"Authorization": f"Bearer {token}"}
        answers = [in_process.get(path, headers=headers) for path in paths]
        return [answer.text for answer in answers if answer.status_code == 200]

    def told(texts: list[str]) -> list[str]:
        marks = (str(card.id), card.files[0].sha256, "complete", "payload")
        return [text for text in texts if any(mark in text for mark in marks)]

    assert asked() == []
    monkeypatch.setattr(Caller, "at", lambda self, site: True)
    assert told(asked()) == []
    # Without the wall, the forgotten check shows all of it.
    monkeypatch.setattr(auth, "scope_of", lambda sites: EVERY_SITE)
    assert len(told(asked())) == len(paths)


async def test_a_check_of_the_site_that_the_code_forgets_writes_nothing_to_another_site(
    yard: Yard, card: CardBack, settings: Settings, in_process: TestClient[Any], monkeypatch: Any
) -> None:
    token = token_of_person(settings, list(Role), [yard.made.other_site])[1]
    path = f"/api/v1/inspections/{yard.inspection_id}/statements"

    def stated() -> int:
        body = {"id": str(new_id()), "inspectionId": str(yard.inspection_id), "kind": "complete"}
        answer = in_process.post(
            path, json={**body, "locations": ["A"]}, headers={"Authorization": f"Bearer {token}"}
        )
        return answer.status_code

    def kept() -> list[Any]:
        count = "SELECT count(*) FROM statements WHERE inspection_id = %s"
        return execute(settings, count, yard.inspection_id)

    before = kept()
    assert stated() == 404
    monkeypatch.setattr(Caller, "at", lambda self, site: True)
    assert stated() >= 400
    assert kept() == before
    monkeypatch.setattr(auth, "scope_of", lambda sites: EVERY_SITE)
    assert stated() in (200, 201)
    assert kept() != before


async def test_a_request_that_forgets_to_say_for_whom_it_is_sees_nothing(
    yard: Yard, card: CardBack, settings: Settings, in_process: TestClient[Any], monkeypatch: Any
) -> None:
    """The caller is found and then not told to the database, as a new way to sign in might forget it."""
    headers = {"Authorization": f"Bearer {token_for_agent(settings, yard.agent.id)}"}

    def listed() -> int:
        answer = in_process.get("/api/v1/card-returns", headers=headers)
        assert answer.status_code == 200
        return len(answer.json()["items"])

    assert listed() == 2
    monkeypatch.setattr(auth, "act_for", lambda scope: None)
    assert in_process.get("/api/v1/callers/me", headers=headers).status_code == 200
    assert listed() == 0

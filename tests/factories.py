"""These functions put rows straight into the tables: a type, sites, people, units, a plan and its revisions.

Every call makes names of its own, so that tests can share one database.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from uuid import UUID

import msgspec
import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.rules import Caller, Role
from service.access.store import accounts, agents, change_register, sites
from service.contract.plan_document import EvaluationWord, Location, PictureRule, PlanDocument, Section
from service.contract.wire import new_id
from service.database import Database
from service.plans.document import digest
from service.plans.store import builds, equipment_types, plan_revisions, plans, revision_events
from service.units.store import units
from tests.live_service import rewriting

LONG_AGO = datetime(2020, 1, 1, tzinfo=UTC)


def location(
    key: str,
    on: Sequence[str],
    *,
    pictures: int = 1,
    mandatory: bool = False,
    former_key: str | None = None,
    name: str | None = None,
) -> Location:
    return Location(
        key=key,
        name=name or f"Place {key}",
        component="casing",
        view="outside",
        pictures=PictureRule(required=pictures),
        builds=list(on),
        mandatory=mandatory,
        former_key=former_key,
    )


@dataclass
class Fleet:
    """One type with builds X and Y, a plan, two sites, and its author; `add_units` adds units."""

    name: str
    type_id: UUID
    type_code: str
    builds: dict[str, UUID]
    plan_id: UUID
    plan: str
    sites: dict[str, UUID]
    author: UUID
    made: list[str] = field(default_factory=list)

    @property
    def site(self) -> str:
        return next(iter(self.sites))

    @property
    def other_site(self) -> str:
        return list(self.sites)[1]

    def document(self, revision: str, locations: Iterable[Location]) -> PlanDocument:
        return PlanDocument(
            format="sightledger-plan/1",
            plan=self.plan,
            title="A plan for tests",
            revision=revision,
            equipment_type=self.type_code,
            builds=list(self.builds),
            evaluation_scale=[
                EvaluationWord(
                    code="nothing_recordable", word="nothing recordable", rank=0, requires="nothing"
                ),
                EvaluationWord(code="refer", word="refer to engineering", rank=1, requires="engineering"),
            ],
            sections=[Section(key="S", name="All", locations=list(locations))],
            invented=True,
        )


def _mark() -> str:
    return new_id().hex[-10:].upper()


async def fleet(db: Database, *, locations: Iterable[Location] | None = None) -> Fleet:
    """Makes a fleet whose plan has an effective revision A: A, B, C on both builds, N on build Y only."""
    mark = _mark()
    made = Fleet(
        name=mark,
        type_id=new_id(),
        type_code=f"T{mark}",
        builds={"X": new_id(), "Y": new_id()},
        plan_id=new_id(),
        plan=f"P{mark}",
        sites={f"S1{mark}": new_id(), f"S2{mark}": new_id()},
        author=new_id(),
    )
    async with db.begin() as connection:
        await _frame(connection, made)
        await add_revision(
            connection,
            made,
            "A",
            locations
            or [location(key, "XY", pictures=2, mandatory=key == "A") for key in "ABC"]
            + [location("N", "Y")],
        )
    return made


async def _frame(connection: AsyncConnection, made: Fleet) -> None:
    await connection.execute(
        sa.insert(equipment_types).values(id=made.type_id, code=made.type_code, name="A type for tests")
    )
    for code, key in made.builds.items():
        row = {"id": key, "type_id": made.type_id, "code": code, "name": f"Build {code}"}
        await connection.execute(sa.insert(builds).values(row))
    for code, key in made.sites.items():
        row = {"id": key, "code": code, "name": f"Site {code}", "kind": "test", "time_zone": "Europe/Dublin"}
        await connection.execute(sa.insert(sites).values(row))
    await connection.execute(
        sa.insert(plans).values(
            id=made.plan_id,
            code=made.plan,
            title="A plan for tests",
            type_id=made.type_id,
            created_at=LONG_AGO,
        )
    )
    await add_account(connection, made.author, ["author"])


async def add_account(
    connection: AsyncConnection, key: UUID, roles: Sequence[str], site_codes: Sequence[str] | None = None
) -> str:
    """Adds an account that cannot sign in and returns its login."""
    login = f"person-{key.hex}"
    await connection.execute(
        sa.insert(accounts).values(
            id=key,
            login=login,
            name=f"Person {key.hex[-4:]}",
            password_hash="!",
            roles=list(roles),
            sites=None if site_codes is None else list(site_codes),
            created_at=LONG_AGO,
        )
    )
    return login


async def person(db: Database, *roles: Role, at: Sequence[str] | None = None) -> Caller:
    """Makes a person with these roles, limited to the sites `at`; None is every site."""
    key = new_id()
    async with db.begin() as connection:
        await add_account(connection, key, [str(role) for role in roles], at)
    return Caller(key, f"Person {key.hex[-4:]}", frozenset(roles), None if at is None else frozenset(at))


async def agent(db: Database, made: Fleet, site: str) -> Caller:
    """Makes a workstation of a site."""
    key = new_id()
    async with db.begin() as connection:
        await connection.execute(
            sa.insert(agents).values(
                id=key,
                site_id=made.sites[site],
                name=f"ws-{key.hex[-6:]}",
                platform="test",
                version="0",
                enrolled_at=LONG_AGO,
                report=None,
            )
        )
    return Caller(key, f"ws-{key.hex[-6:]}", frozenset(), frozenset({site}), agent=True)


SPEAKER = "K. Brand"


async def add_people(db: Database, made: Fleet, site: str, *names: str) -> None:
    """Enters people without an account in a site's register."""
    async with db.begin() as connection:
        await change_register(connection, made.sites[site], names or (SPEAKER,), ())


async def add_units(
    db: Database, made: Fleet, number: int, *, site: str | None = None, build: str = "X"
) -> list[str]:
    """Adds units and returns their serial numbers, ascending."""
    serials = [f"{made.name}-{len(made.made) + n:05}" for n in range(number)]
    made.made += serials
    rows = [
        {
            "id": new_id(),
            "serial": serial,
            "type_id": made.type_id,
            "build_id": made.builds[build],
            "site_id": made.sites[site or made.site],
            "position": f"Bay {n}",
            "created_at": LONG_AGO,
            "invented": True,
        }
        for n, serial in enumerate(serials)
    ]
    async with db.begin() as connection:
        await connection.execute(sa.insert(units), rows)
    return serials


async def add_revision(
    connection: AsyncConnection,
    made: Fleet,
    label: str,
    locations: Iterable[Location],
    *,
    effective_from: datetime | None = LONG_AGO,
    site_codes: Sequence[str] | None = None,
    scale: list[EvaluationWord] | None = None,
) -> UUID:
    """Adds a revision that was approved and published; with `effective_from` None it stays a draft."""
    document = made.document(label, locations)
    if scale is not None:
        document.evaluation_scale = scale
    key = new_id()
    await connection.execute(
        sa.insert(plan_revisions).values(
            id=key,
            plan_id=made.plan_id,
            label=label,
            version=1,
            document=msgspec.to_builtins(document),
            digest=digest(document),
            author_id=made.author,
            author_name="A. Author",
            created_at=LONG_AGO,
        )
    )
    if effective_from is not None:
        approver = new_id()
        await add_account(connection, approver, ["approver"])
        await _publish(connection, key, made.author, approver, effective_from, site_codes)
    return key


async def _publish(
    connection: AsyncConnection,
    revision_id: UUID,
    author: UUID,
    approver: UUID,
    effective_from: datetime,
    site_codes: Sequence[str] | None,
) -> None:
    before: list[UUID] = []
    for step, (kind, account) in enumerate(
        [("submitted", author), ("approved", approver), ("published", approver)]
    ):
        key = new_id()
        published = kind == "published"
        await connection.execute(
            sa.insert(revision_events).values(
                id=key,
                revision_id=revision_id,
                kind=kind,
                account_id=account,
                by_name="A. Person",
                recorded_at=min(effective_from, LONG_AGO) - timedelta(days=9 - step),
                note=None,
                effective_from=effective_from if published else None,
                sites=list(site_codes) if published and site_codes is not None else None,
                replaces=before,
            )
        )
        before = [key]


async def drop_revisions(db: Database, made: Fleet) -> None:
    """Leaves the plan without any revision, as it was before its first."""
    url = db.engine.url.render_as_string(hide_password=False)
    with rewriting(url, "revision_events", "plan_revisions") as past:
        mine = "SELECT id FROM plan_revisions WHERE plan_id = %s"
        past.execute(f"DELETE FROM revision_events WHERE revision_id IN ({mine})", [made.plan_id])
        past.execute("DELETE FROM plan_revisions WHERE plan_id = %s", [made.plan_id])

"""Use cases of the plan library that are not about revisions: equipment types, builds, plans."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.noting import note
from service.access.rules import Act, Caller
from service.contract.plans import Build, BuildIn, EquipmentType, Plan, PlanIn, TypeIn
from service.contract.problem import ProblemError
from service.database import Database, Row, server_now
from service.errors import Conflict, Invalid, NotFound
from service.plans import store


async def put_type(db: Database, caller: Caller, code: str, new_type: TypeIn) -> EquipmentType:
    """Record an equipment type. A repeated request gets the same answer; other content raises Conflict."""
    caller.must(Act.WRITE_PLAN)
    async with db.begin() as connection:
        row = {"id": new_type.id, "code": code, "name": new_type.name}
        if await store.insert(connection, store.equipment_types, row):
            await note(connection, "type_made", by_account_id=caller.account_id, concerns=code)
        recorded = same_content(await store.type_by_code(connection, code), row, f"Equipment type {code}")
        return (await _types(connection, [recorded]))[0]


async def put_build(db: Database, caller: Caller, type_code: str, code: str, new_build: BuildIn) -> Build:
    """Record a build of a type; raises NotFound for an unknown type, Conflict for other content."""
    caller.must(Act.WRITE_PLAN)
    async with db.begin() as connection:
        kind = await _known_type(connection, type_code)
        row = {"id": new_build.id, "type_id": kind["id"], "code": code, "name": new_build.name}
        if await store.insert(connection, store.builds, row):
            named = f"{type_code} {code}"
            await note(connection, "build_made", by_account_id=caller.account_id, concerns=named)
        recorded = await store.build_by_code(connection, kind["id"], code)
        same_content(recorded, row, f"Build {code} of type {type_code}")
        return Build(id=new_build.id, code=code, name=new_build.name)


async def put_plan(db: Database, caller: Caller, code: str, new_plan: PlanIn) -> Plan:
    """Record a plan, without a revision yet; raises Invalid (unknown type) or Conflict (other content)."""
    caller.must(Act.WRITE_PLAN)
    async with db.begin() as connection:
        kind = await store.type_by_code(connection, new_plan.equipment_type)
        if kind is None:
            raise Invalid(
                f"There is no equipment type {new_plan.equipment_type}.",
                next_step="Record the type first, or use one of GET /api/v1/types.",
                errors=[ProblemError(detail="unknown equipment type", path="/equipmentType")],
            )
        row = {"id": new_plan.id, "code": code, "title": new_plan.title, "type_id": kind["id"]}
        if await store.insert(connection, store.plans, row | {"created_at": server_now()}):
            await note(connection, "plan_made", by_account_id=caller.account_id, concerns=code)
        recorded = same_content(await store.plan_by_code(connection, code), row, f"Plan {code}")
        return _plan(recorded)


async def list_types(db: Database, caller: Caller, after: str | None, limit: int) -> list[EquipmentType]:
    """Equipment types with their builds, by ascending code."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        return await _types(connection, await store.types_after(connection, after, limit))


async def read_type(db: Database, caller: Caller, code: str) -> EquipmentType:
    """An equipment type with its builds; raises NotFound."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        return (await _types(connection, [await _known_type(connection, code)]))[0]


async def _known_type(connection: AsyncConnection, code: str) -> Row:
    kind = await store.type_by_code(connection, code)
    if kind is None:
        raise NotFound(f"There is no equipment type {code}.", next_step="Take a code of GET /api/v1/types.")
    return kind


async def _types(connection: AsyncConnection, rows: Sequence[Row]) -> list[EquipmentType]:
    builds: dict[UUID, list[Build]] = {row["id"]: [] for row in rows}
    for build in await store.builds_of(connection, builds.keys()):
        builds[build["type_id"]].append(Build(id=build["id"], code=build["code"], name=build["name"]))
    return [
        EquipmentType(id=row["id"], code=row["code"], name=row["name"], builds=builds[row["id"]])
        for row in rows
    ]


async def list_plans(db: Database, caller: Caller, after: str | None, limit: int) -> list[Plan]:
    """Plans by ascending code."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        return [_plan(row) for row in await store.plans_after(connection, after, limit)]


async def read_plan(db: Database, caller: Caller, code: str) -> Plan:
    """A plan; raises NotFound."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        return _plan(await known_plan(connection, code))


async def known_plan(connection: AsyncConnection, code: str) -> Row:
    plan = await store.plan_by_code(connection, code)
    if plan is None:
        raise NotFound(f"There is no plan {code}.", next_step="Take a code of GET /api/v1/plans.")
    return plan


def _plan(row: Row) -> Plan:
    return Plan(
        id=row["id"],
        code=row["code"],
        title=row["title"],
        equipment_type=row["equipment_type"],
        created_at=row["created_at"],
    )


def same_content(recorded: Row | None, expected: Mapping[str, Any], what: str) -> Row:
    """The recorded row, which must equal the requested one (I8); raises Conflict otherwise."""
    if recorded is None or any(recorded[name] != value for name, value in expected.items()):
        raise Conflict(
            f"{what} is recorded with other content, or the id {expected['id']} stands for something else.",
            next_step="Read what is recorded; use a new code and id for something new.",
        )
    return recorded

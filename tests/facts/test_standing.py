"""What stands of facts: one answer in Python and one in SQL, over histories of every shape."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy.dialects.postgresql import insert

from service.campaigns.store.tables import bindings, statements
from service.contract.wire import new_id
from service.custody.store.tables import image_readings, retention_policies
from service.database import Database, metadata
from service.facts.rules import standing
from service.facts.store import append, same, stands
from service.images.store import images
from service.intake.store.tables import placements
from service.plans.store import revision_events

FACT_TABLES = [table for table in metadata.tables.values() if "subject" in table.info]
# What the SQL of `stands` is asked of in the product.
ASKED = (bindings, image_readings, placements, retention_policies, statements, revision_events)


@dataclass(frozen=True)
class Made:
    id: UUID
    subject: int
    replaces: frozenset[UUID]


@st.composite
def histories(draw: st.DrawFn) -> list[Made]:
    """Facts about two subjects that replace each other in any way: chains, forks, joins, rings, themselves,
    and ids of nothing or of the other subject."""
    number = draw(st.integers(1, 8))
    ids = [new_id() for _ in range(number)]
    strangers = [new_id()]
    return [
        Made(
            fact_id,
            draw(st.integers(0, 1)),
            frozenset(draw(st.lists(st.sampled_from([*ids, *strangers]), max_size=3))),
        )
        for fact_id in ids
    ]


def stands_by_rule(history: list[Made]) -> set[UUID]:
    return {
        fact.id
        for subject in (0, 1)
        for fact in standing([made for made in history if made.subject == subject]).heads
    }


@pytest.fixture(scope="module")
def scratch(module_database_url: str) -> Iterator[sa.Connection]:
    """A table with the columns that the answer in SQL goes by, in the place of any table of facts."""
    engine = sa.create_engine(module_database_url)
    with engine.connect() as connection:
        connection.execute(sa.text("CREATE TEMPORARY TABLE trial (id uuid, subject int, replaces uuid[])"))
        yield connection
    engine.dispose()


TRIAL = sa.Table("trial", sa.MetaData(), info={"subject": "subject"})


def stands_by_sql(connection: sa.Connection, history: list[Made]) -> set[UUID]:
    connection.execute(sa.text("TRUNCATE trial"))
    for fact in history:
        connection.execute(
            sa.text("INSERT INTO trial VALUES (:id, :subject, :replaces)"),
            {"id": fact.id, "subject": fact.subject, "replaces": list(fact.replaces)},
        )
    return set(connection.scalars(sa.text(f"SELECT id FROM trial WHERE {stands(TRIAL)}")))


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(history=histories(), draw=st.randoms())
def test_i3_i4_sql_and_rule_give_one_answer_whatever_the_order(
    scratch: sa.Connection, history: list[Made], draw: random.Random
) -> None:
    expected = stands_by_rule(history)
    shuffled = history + history[: len(history) // 2]
    draw.shuffle(shuffled)
    assert stands_by_rule(shuffled) == expected
    draw.shuffle(history)
    assert stands_by_sql(scratch, history) == expected


def test_something_of_every_subject_stands_and_a_ring_stands_whole(scratch: sa.Connection) -> None:
    first, second, later = new_id(), new_id(), new_id()
    ring = [Made(first, 0, frozenset({second})), Made(second, 0, frozenset({first}))]
    assert stands_by_sql(scratch, ring) == {first, second} == stands_by_rule(ring)
    one_side = [*ring, Made(later, 0, frozenset({first}))]
    assert stands_by_sql(scratch, one_side) == {later} == stands_by_rule(one_side)
    elsewhere = [*ring, Made(later, 1, frozenset({first, second}))]
    assert stands_by_sql(scratch, elsewhere) == {first, second, later} == stands_by_rule(elsewhere)


@pytest.mark.anyio
async def test_every_table_of_facts_can_be_asked_what_stands_of_it(db: Database) -> None:
    async with db.begin() as connection:
        for table in ASKED:
            await connection.execute(sa.text(f"SELECT id FROM {table.name} WHERE {stands(table)}"))


async def image(db: Database, digest: str) -> None:
    async with db.begin() as connection:
        row = {"digest": digest, "size": 1, "site": "S1", "verified_at": datetime.now(UTC)}
        await connection.execute(insert(images).values(row).on_conflict_do_nothing())


@pytest.mark.anyio
async def test_i4_i8_a_clock_set_back_reorders_nothing_and_a_repetition_adds_nothing(db: Database) -> None:
    digest, run_id, now = 2 * new_id().hex, new_id(), datetime.now(UTC)
    ids = [new_id() for _ in range(4)]

    def fact(at: int, outcome: str) -> dict[str, object]:
        replaces = [ids[at - 1]] if at else []
        words = {"told": None, "kept_version": None, "read_at": now}
        return {
            "id": ids[at],
            "digest": digest,
            "site": "S1",
            "run_id": run_id,
            "outcome": outcome,
            "replaces": replaces,
        } | words

    await image(db, digest)
    outcomes = ["sound", "damaged", "missing", "sound"]
    for at, outcome in enumerate(outcomes):
        async with db.begin() as connection:
            done = await append(
                connection, image_readings, [fact(at, outcome)], None, at=now - timedelta(days=at)
            )
            assert (done.new, done.differing) == ({ids[at]}, frozenset())
    async with db.begin() as connection:
        again = await append(connection, image_readings, [fact(n, o) for n, o in enumerate(outcomes)], None)
        assert (again.new, again.differing) == (frozenset(), frozenset())
        other = await append(connection, image_readings, [fact(1, "sound")], None)
        assert (other.new, other.differing) == (frozenset(), {ids[1]})
        standing_now = sa.select(image_readings.c.id).where(
            image_readings.c.digest == digest, sa.text(stands(image_readings))
        )
        assert list(await connection.scalars(standing_now)) == [ids[3]]
        rows = await connection.execute(
            sa.select(image_readings.c.id).where(image_readings.c.digest == digest).order_by("number")
        )
        assert [row.id for row in rows] == ids


@pytest.mark.anyio
async def test_i8_the_same_fact_from_many_at_once_is_recorded_once(db: Database) -> None:
    fact_id, run_id, read_at = new_id(), new_id(), datetime.now(UTC)
    words = {"run_id": run_id, "outcome": "sound", "told": None, "kept_version": None, "read_at": read_at}

    async def once(digest: str) -> tuple[int, int]:
        async with db.begin() as connection:
            fact = {"id": fact_id, "digest": digest, "site": "S1", **words}
            done = await append(connection, image_readings, [fact], None)
            return len(done.new), len(done.differing)

    await image(db, "a" * 64)
    await image(db, "b" * 64)
    answers = await asyncio.gather(*(once("a" * 64 if n % 2 else "b" * 64) for n in range(8)))
    assert sorted(answers) == [(0, 0)] * 3 + [(0, 1)] * 4 + [(1, 0)]


def test_i8_nothing_said_and_an_empty_list_are_two_contents() -> None:
    event = {"id": new_id(), "revision_id": new_id(), "kind": "published", "sites": None}
    row = {name: None for name in revision_events.info["content"]} | event | {"replaces": []}
    assert same(revision_events, row, event)  # type: ignore[arg-type]
    assert not same(revision_events, row, event | {"sites": []})  # type: ignore[arg-type]


def test_facts_enter_by_the_gate_alone_and_are_never_changed(source_files: dict[str, str]) -> None:
    writers = []
    for table in FACT_TABLES:
        name = table.name
        for path, text in source_files.items():
            sql = any(f"{verb} {name}" in text for verb in ("INSERT INTO", "UPDATE", "DELETE FROM"))
            words = [f"{verb}({name})" for verb in ("insert", "update", "delete", "sa.insert", "sa.update")]
            if sql or any(word in text for word in words) or f"{name}.insert(" in text:
                writers.append((name, path))
    assert writers == []
    assert {table.name for table in FACT_TABLES} >= {table.name for table in ASKED}


@pytest.fixture(scope="module")
def source_files() -> dict[str, str]:
    from tests.live_service import ROOT

    files = (ROOT / "service").rglob("*.py")
    return {str(path.relative_to(ROOT)): path.read_text() for path in files}

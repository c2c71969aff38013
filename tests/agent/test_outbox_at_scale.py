"""An outbox of 1,000,000 rows: work grows with what is asked for, never with what is kept."""

from __future__ import annotations

import re
import sqlite3
import tracemalloc
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from uuid import UUID

import pytest

from agent.outbox import originals, returns
from agent.outbox.database import open_database
from agent.outbox.pruning import prune
from agent.outbox.returns import Returns
from agent.outbox.spool import Spool
from agent.pictures import Facts
from agent.settings import Settings
from service.contract.cards import CardReturnOpen

ROWS = 1_000_000
FILES = 50_000
STEP = 1000
AT = datetime(2026, 11, 1, tzinfo=UTC)
OPENING = CardReturnOpen(site="TEST", profile="two-level", started_at=AT)


def id_of(number: int) -> UUID:
    return UUID(int=number)


def fill(path: Path, rows: int) -> Returns:
    """`rows` files in card returns of 50,000, each of bytes of its own; all held but the newest return."""
    connection = open_database(path)
    for pragma in ("synchronous=OFF", "journal_mode=OFF", "cache_size=-400000"):
        connection.execute(f"PRAGMA {pragma}")
    made = Returns(connection)
    last = rows // FILES
    with made.transaction():
        for number in range(1, last + 1):
            made.open(id_of(number), OPENING, "U-1", "card")
        connection.execute(
            "WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i+1 FROM n WHERE i<?1-1)"
            " INSERT INTO files SELECT printf('00000000-0000-0000-0000-%012x', i/?2+1), i%?2+1,"
            " CAST(i AS BLOB), printf('%064x', i), 10, NULL, 'still', 1, '', CAST('{}' AS BLOB) FROM n",
            (rows, FILES),
        )
        connection.execute(
            "WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i+1 FROM n WHERE i<?1-1)"
            " INSERT INTO originals SELECT printf('%064x', i), 10, CAST('{}' AS BLOB), ?3,"
            " CASE WHEN i/?2+1 < ?4 THEN ?3 END, CASE WHEN i/?2+1 < ?4 THEN ?3 END, NULL FROM n",
            (rows, FILES, AT.isoformat(), last),
        )
        connection.execute("UPDATE returns SET files=?", (FILES,))
        connection.execute("UPDATE returns SET state='held', complete=1 WHERE id<>?", (str(id_of(last)),))
    return made


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Returns]:
    made = fill(tmp_path_factory.mktemp("scale") / "large.sqlite3", ROWS)
    made.connection.execute("PRAGMA journal_mode=WAL")
    yield made
    made.connection.close()


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Returns]:
    made = fill(tmp_path_factory.mktemp("scale") / "small.sqlite3", ROWS // 10)
    made.connection.execute("PRAGMA journal_mode=WAL")
    yield made
    made.connection.close()


def steps(made: Returns, work: Callable[[Returns], object]) -> int:
    """Thousands of steps of SQLite's machine that the work takes; nothing of it is kept."""
    count = 0

    def tick() -> int:
        nonlocal count
        count += 1
        return 0

    made.connection.set_progress_handler(tick, STEP)
    made.connection.execute("BEGIN")
    try:
        work(made)
    finally:
        made.connection.set_progress_handler(None, 0)
        made.connection.execute("ROLLBACK")
    return count


def newest(made: Returns) -> UUID:
    return made.newest(1)[0].id


OFTEN: dict[str, Callable[[Returns], object]] = {
    "status": lambda made: made.newest(),
    "waiting": lambda made: made.waiting(),
    "queue": lambda made: [made.in_state(state) for state in ("reading", "copied")],
    "original": lambda made: (made.original("0" * 64), made.size_is_known(11)),
    "spooled": lambda made: made.note_spooled("f" * 64, 11, Facts()),
    "part": lambda made: made.part_body(newest(made), 50),
    "statements": lambda made: (made.statements(newest(made)), made.refused_statements()),
    "preparations": lambda made: (made.unsent_preparations(), made.refused_preparations()),
    "unread": lambda made: made.unread(newest(made)),
    "unexplained": lambda made: made.unexplained(),
    "prunable": lambda made: [digest for digest, _ in zip(made.prunable(None), range(100), strict=False)],
    "held": lambda made: made.note_held(["0" * 64], AT),
    "pruned": lambda made: made.note_pruned(["0" * 64]),
}


@pytest.mark.parametrize("name", OFTEN)
def test_p30_what_is_done_often_takes_no_more_steps_over_ten_times_the_rows(
    name: str, large: Returns, small: Returns
) -> None:
    assert steps(large, OFTEN[name]) <= steps(small, OFTEN[name]) + 5


ONE_CARD: dict[str, Callable[[Returns], object]] = {
    "digest": lambda made: made.manifest_digest(newest(made)),
    "by location": lambda made: made.by_location(newest(made)),
    "marked": lambda made: made.marked(newest(made)),
    "hold": lambda made: made.hold(newest(made), b"{}", AT),
    "files": lambda made: sum(1 for _ in made.files(newest(made))),
}


@pytest.mark.parametrize("name", ONE_CARD)
def test_p30_work_over_one_card_does_not_grow_with_the_others(
    name: str, large: Returns, small: Returns
) -> None:
    few, many = (steps(made, ONE_CARD[name]) for made in (small, large))
    assert few > 10, "the card's 50,000 rows are walked"
    assert many <= few * 1.1


def test_p30_pruning_grows_with_what_is_pruned(small: Returns, large: Returns, tmp_path: Path) -> None:
    """Twice the copies, about twice the steps; a copy costs the same in an outbox of ten times the rows."""

    def take(count: int) -> Callable[[Returns], object]:
        return lambda made: [digest for digest, _ in zip(made.prunable(None), range(count), strict=False)]

    once, twice = steps(large, take(20_000)), steps(large, take(40_000))
    assert twice <= once * 2.1
    assert steps(large, take(40_000)) <= steps(small, take(40_000)) * 1.2


def test_p30_memory_stays_bounded(large: Returns, tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool").prepare()
    large.connection.execute("BEGIN")
    tracemalloc.start()
    try:
        large.manifest_digest(newest(large))
        large.hold(newest(large), b"{}", AT)
        large.connection.execute(
            "INSERT OR REPLACE INTO documents VALUES('service-time',NULL,?,'')",
            (b"2030-01-01T00:00:00+00:00",),
        )
        assert sum(1 for _ in large.prunable(None)) == ROWS
        assert sum(1 for _ in large.files(newest(large))) == FILES
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
        large.connection.execute("ROLLBACK")
    assert peak < 5_000_000
    assert prune(large, spool, Settings(spool_free=0)) == 0


def statements_of(module: object) -> list[str]:
    """The SQL texts of a module, as written."""
    source = Path(module.__file__).read_text("utf-8")  # type: ignore[attr-defined]
    joined = re.sub(r'"\s*\n\s*"', "", source)
    return [text for text in re.findall(r'"((?:SELECT|UPDATE|DELETE) [^"]*)"', joined) if "{" not in text]


# Walks that are bounded by what a workstation has of it, and named here so that no other slips in.
MAY_SCAN = {
    "r": "newest: along the key, newest first, as many as are shown",
    "readings": "media that are in now: as many as there are slots, and as often as a listing changed",
}


@pytest.mark.parametrize("module", [returns, originals], ids=["returns", "originals"])
def test_p30_no_statement_walks_a_whole_table(module: object, large: Returns) -> None:
    texts = statements_of(module)
    assert len(texts) >= 8
    for text in texts:
        for step in plan_of(large.connection, text):
            scanned = re.match(r"SCAN (\w+)", step)
            known = scanned is None or scanned[1] in MAY_SCAN or "INDEX preparations_unsent" in step
            assert known, f"{text}\n{step}"


def plan_of(connection: sqlite3.Connection, text: str) -> list[str]:
    numbered = [int(number) for number in re.findall(r"\?(\d)", text)]
    count = max(numbered) if numbered else text.count("?")
    return [row["detail"] for row in connection.execute(f"EXPLAIN QUERY PLAN {text}", ("x",) * count)]

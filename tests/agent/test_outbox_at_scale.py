"""An outbox of 1,000,000 rows: work grows with what is asked for, never with what is kept."""

from __future__ import annotations

import re
import sqlite3
import tracemalloc
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType
from uuid import UUID

import pytest

from agent.outbox import (
    cache,
    files,
    insertions,
    originals,
    pictures,
    preparations,
    returns,
    sending,
    spoken,
    statements,
    unread,
)
from agent.outbox.database import open_database
from agent.outbox.outbox import Outbox
from agent.outbox.pruning import prune
from agent.outbox.spool import Spool
from agent.pictures import Facts
from agent.settings import Settings
from service.contract.cards import CardReturnOpen

ROWS = 1_000_000
FILES = 50_000
STEP = 1000
OF_TABLES = (
    cache, files, insertions, originals, pictures, preparations, returns, sending, spoken, statements, unread,
)  # fmt: skip
WRITTEN = re.compile(r"(?:INSERT(?: OR \w+)? INTO|UPDATE|DELETE FROM) (\w+)")
AT = datetime(2026, 11, 1, tzinfo=UTC)
OPENING = CardReturnOpen(site="TEST", profile="two-level", started_at=AT)


def id_of(number: int) -> UUID:
    return UUID(int=number)


def fill(path: Path, rows: int) -> Outbox:
    """`rows` files in card returns of 50,000, each of bytes of its own; all held but the newest return."""
    connection = open_database(path)
    for pragma in ("synchronous=OFF", "journal_mode=OFF", "cache_size=-400000"):
        connection.execute(f"PRAGMA {pragma}")
    made = Outbox(connection)
    last = rows // FILES
    with made.transaction():
        for number in range(1, last + 1):
            made.returns.open(id_of(number), OPENING, "U-1", "card")
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
def large(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Outbox]:
    made = fill(tmp_path_factory.mktemp("scale") / "large.sqlite3", ROWS)
    made.connection.execute("PRAGMA journal_mode=WAL")
    yield made
    made.connection.close()


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Outbox]:
    made = fill(tmp_path_factory.mktemp("scale") / "small.sqlite3", ROWS // 10)
    made.connection.execute("PRAGMA journal_mode=WAL")
    yield made
    made.connection.close()


def steps(made: Outbox, work: Callable[[Outbox], object]) -> int:
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


def newest(made: Outbox) -> UUID:
    return made.returns.newest(1)[0].id


OFTEN: dict[str, Callable[[Outbox], object]] = {
    "status": lambda made: made.returns.newest(),
    "waiting": lambda made: made.returns.waiting(),
    "queue": lambda made: [made.returns.in_state(state) for state in ("reading", "copied")],
    "original": lambda made: (made.originals.find("0" * 64), made.originals.size_is_known(11)),
    "spooled": lambda made: made.originals.note_spooled("f" * 64, 11, Facts()),
    "part": lambda made: made.parts.body(newest(made), 50),
    "statements": lambda made: (made.statements.of(newest(made)), made.statements.refused()),
    "preparations": lambda made: (made.preparations.unsent(), made.preparations.refused()),
    "unread": lambda made: made.unread.of(newest(made)),
    "unexplained": lambda made: made.originals.unexplained(),
    "prunable": lambda made: [
        digest for digest, _ in zip(made.originals.prunable(None), range(100), strict=False)
    ],
    "held": lambda made: made.originals.note_held(["0" * 64], AT),
    "pruned": lambda made: made.originals.note_pruned(["0" * 64]),
}


@pytest.mark.parametrize("name", OFTEN)
def test_p30_what_is_done_often_takes_no_more_steps_over_ten_times_the_rows(
    name: str, large: Outbox, small: Outbox
) -> None:
    assert steps(large, OFTEN[name]) <= steps(small, OFTEN[name]) + 5


ONE_CARD: dict[str, Callable[[Outbox], object]] = {
    "digest": lambda made: made.files.manifest_digest(newest(made)),
    "by location": lambda made: made.pictures.by_location(newest(made)),
    "marked": lambda made: made.pictures.marked(newest(made)),
    "hold": lambda made: made.hold(newest(made), b"{}", AT),
    "files": lambda made: sum(1 for _ in made.files.of(newest(made))),
}


@pytest.mark.parametrize("name", ONE_CARD)
def test_p30_work_over_one_card_does_not_grow_with_the_others(
    name: str, large: Outbox, small: Outbox
) -> None:
    few, many = (steps(made, ONE_CARD[name]) for made in (small, large))
    assert few > 10, "the card's 50,000 rows are walked"
    assert many <= few * 1.1


def test_p30_pruning_grows_with_what_is_pruned(small: Outbox, large: Outbox, tmp_path: Path) -> None:
    """Twice the copies, about twice the steps; a copy costs the same in an outbox of ten times the rows."""

    def take(count: int) -> Callable[[Outbox], object]:
        return lambda made: [
            digest for digest, _ in zip(made.originals.prunable(None), range(count), strict=False)
        ]

    once, twice = steps(large, take(20_000)), steps(large, take(40_000))
    assert twice <= once * 2.1
    assert steps(large, take(40_000)) <= steps(small, take(40_000)) * 1.2


def test_p30_memory_stays_bounded(large: Outbox, tmp_path: Path) -> None:
    spool = Spool(tmp_path / "spool").prepare()
    large.connection.execute("BEGIN")
    tracemalloc.start()
    try:
        large.files.manifest_digest(newest(large))
        large.hold(newest(large), b"{}", AT)
        large.connection.execute(
            "INSERT OR REPLACE INTO documents VALUES('service-time',NULL,?,'')",
            (b"2030-01-01T00:00:00+00:00",),
        )
        assert sum(1 for _ in large.originals.prunable(None)) == ROWS
        assert sum(1 for _ in large.files.of(newest(large))) == FILES
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
        large.connection.execute("ROLLBACK")
    assert peak < 5_000_000
    assert prune(large, spool, Settings(spool_free=0)) == 0


def statements_of(module: ModuleType) -> list[str]:
    """The SQL texts of a module, as written."""
    source = Path(str(module.__file__)).read_text("utf-8")
    joined = re.sub(r'"\s*\n\s*"', "", source)
    return re.findall(r'"((?:SELECT|UPDATE|DELETE|INSERT) [^"]*)"', joined)


# Walks that are bounded by what a workstation has of it, and named here so that no other slips in.
MAY_SCAN = {
    "r": "newest: along the key, newest first, as many as are shown",
    "insertions": "media that are in now: as many as there are slots, and as often as a listing changed",
    "preparations": "offered again after the service was put back to an older state",
    "revisions": "plan revisions that are held: some dozens",
    "spoken_unsent": "statements without a card that the service has not taken",
    "statements_refused": "statements that nobody has dealt with",
    "preparations_unsent": "cards of which the service has not heard",
    "preparations_refused": "cards of which the service will not hear",
}


@pytest.mark.parametrize("module", OF_TABLES, ids=lambda module: module.__name__.rpartition(".")[2])
def test_p30_no_statement_walks_a_whole_table(module: ModuleType, large: Outbox) -> None:
    texts = [text for text in statements_of(module) if not text.startswith("INSERT")]
    assert texts
    for text in texts:
        for step in plan_of(large.connection, text):
            scanned = re.match(r"SCAN (\w+)(?: USING (?:COVERING )?INDEX (\w+))?", step)
            assert scanned is None or MAY_SCAN.keys() & set(scanned.groups()), f"{text}\n{step}"


def plan_of(connection: sqlite3.Connection, text: str) -> list[str]:
    numbered = [int(number) for number in re.findall(r"\?(\d)", text)]
    count = max(numbered) if numbered else text.count("?")
    return [row["detail"] for row in connection.execute(f"EXPLAIN QUERY PLAN {text}", ("x",) * count)]


def test_each_table_is_written_by_one_module_alone(large: Outbox) -> None:
    writers: dict[str, set[str]] = {}
    for module in OF_TABLES:
        for text in statements_of(module):
            if written := WRITTEN.match(text):
                writers.setdefault(written[1], set()).add(module.__name__)
    tables = large.connection.execute("SELECT name FROM sqlite_schema WHERE type='table'")
    assert writers.keys() == {row["name"] for row in tables}
    assert [table for table, modules in writers.items() if len(modules) > 1] == []

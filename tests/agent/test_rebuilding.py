"""The outbox lost, damaged or older than the spool: made again, nothing twice and nothing gone."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest

from agent.cards.reading import close_interrupted
from agent.outbox.journal import Journals, NotRead
from agent.outbox.pruning import prune
from agent.outbox.rebuilding import ask_held, rebuild
from agent.settings import Settings, State
from agent.workstation import Workstation
from service.contract.wire import new_id
from tests.agent.sites import Site
from tests.agent.station import Bench, jpeg, put
from tests.agent.test_commands import agent
from tests.live_service import execute


def lose(database: Path) -> None:
    for suffix in ("", "-wal", "-shm"):
        database.with_name(database.name + suffix).unlink(missing_ok=True)


def overwrite(database: Path) -> None:
    database.write_bytes(b"this is no database" * 500)


def empty(database: Path) -> None:
    lose(database)
    database.write_bytes(b"")


def cut(database: Path) -> None:
    database.write_bytes(database.read_bytes()[: 3 * 4096])


def scramble(database: Path) -> None:
    """Pages of the middle, so that SQLite finds it only when it goes there."""
    data = bytearray(database.read_bytes())
    for page in range(2, len(data) // 4096):
        data[page * 4096 : page * 4096 + 64] = b"\xa5" * 64
    database.write_bytes(data)


DAMAGES = [lose, overwrite, empty, cut, scramble]


@pytest.mark.parametrize("damage", DAMAGES)
def test_p05_a_damaged_outbox_is_made_again_by_itself(bench: Bench, damage: Any) -> None:
    """By the next command, which says so; the damaged file is kept whole."""
    data = {f"02 G.RING/F{n}.JPG": jpeg(n) for n in range(4)}
    bench.prepare()
    for path, content in data.items():
        put(bench.card, path, content)
    return_id = bench.read(complete=["02 g.ring"], person="A. Person")
    outbox = bench.station.outbox
    before = {name: manifest(bench.station, return_id, name) for name in ("returns", "files", "statements")}
    parts = outbox.parts.body(return_id, 1)
    outbox.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    outbox.connection.close()
    database = bench.station.state.database
    damage(database)
    damaged = database.read_bytes() if database.exists() else b""
    said = agent(bench.station.state.folder, "queue")
    assert "made again from the spool" in said
    assert str(return_id)[:8] in said
    aside = list(database.parent.glob("outbox.sqlite3.damaged-*"))
    assert [path.read_bytes() for path in aside if path.suffix != "-wal" and path.stat().st_size] == (
        [damaged] if damaged else []
    )
    with Workstation(State(bench.station.state.folder)) as again:
        after = {name: manifest(again, return_id, name) for name in before}
        assert after == before, "what will be sent is the same to the byte"
        assert again.outbox.parts.body(return_id, 1) == parts
        assert {row["sha256"] for row in again.outbox.connection.execute("SELECT * FROM originals")} == {
            hashlib.sha256(content).hexdigest() for content in data.values()
        }


def manifest(station: Workstation, return_id: UUID, table: str) -> list[tuple[Any, ...]]:
    key = "id" if table == "returns" else "return_id"
    rows = station.outbox.connection.execute(
        f"SELECT * FROM {table} WHERE {key}=? ORDER BY 1, 2", (str(return_id),)
    )
    return [tuple(row) for row in rows]


def test_p05_bytes_in_the_spool_that_are_wrong_are_set_aside_by_a_rebuild(bench: Bench) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    put(bench.card, "B.JPG", jpeg(2))
    bench.read()
    wrong = bench.station.spool.path(hashlib.sha256(jpeg(1)).hexdigest())
    wrong.write_bytes(jpeg(1)[:-1] + b"x")
    found = rebuild(bench.station.outbox, bench.station.spool, bench.station.state.locks)
    assert (found.files, found.wrong) == (1, [wrong.name])
    assert not wrong.exists()
    assert len(list((bench.station.spool.folder / "damaged").iterdir())) == 1
    again = bench.read()
    assert wrong.read_bytes() == jpeg(1)
    row = bench.station.outbox.returns.find(again)
    assert row is not None
    assert row.complete


def test_p05_a_reading_that_was_killed_is_made_again_and_names_what_is_missing(bench: Bench) -> None:
    """Journal without its end, the last line cut off; the outbox is gone."""
    for number in range(3):
        put(bench.card, f"{number}.JPG", jpeg(number))
    return_id = bench.read()
    journal = Journals(bench.station.state.spool).path(return_id)
    lines = journal.read_bytes().splitlines(keepends=True)
    took = [line for line in lines if b'"took"' in line]
    kept = [line for line in lines if b'"took"' not in line and b'"closed"' not in line]
    journal.write_bytes(b"".join([*kept, *took[:2], took[2][:30]]))
    bench.station.outbox.connection.close()
    lose(bench.station.state.database)
    with Workstation(State(bench.station.state.folder)) as again:
        assert close_interrupted(again.state, again.outbox, again.spool) == [return_id]
        row = again.outbox.returns.find(return_id)
        assert row is not None
        assert (row.files, row.complete) == (2, 0)
        assert {one.path for one in again.outbox.unread.of(return_id)} >= {"."}
        assert len({one.path for one in again.outbox.unread.of(return_id)} & {"0.JPG", "1.JPG", "2.JPG"}) == 1
        whole = Journals(again.state.spool).read(return_id)
        assert any(isinstance(record, NotRead) for record in whole)
        assert whole.damaged == 0, "nothing is written behind half a line"


def test_p05_a_damaged_journal_gives_what_is_left_as_a_new_incomplete_return(bench: Bench) -> None:
    for number in range(3):
        put(bench.card, f"{number}.JPG", jpeg(number))
    return_id = bench.read()
    path = Journals(bench.station.state.spool).path(return_id)
    data = bytearray(path.read_bytes())
    data[data.index(b'"took"') + 40] ^= 1
    path.write_bytes(data)
    bench.station.outbox.connection.close()
    lose(bench.station.state.database)
    with Workstation(State(bench.station.state.folder)) as again:
        [row] = again.outbox.returns.newest()
        assert (row.files, row.complete, row.state) == (2, 0, "copied")
        assert row.id != return_id
        assert "damaged" in again.outbox.unread.of(row.id)[0].why
    assert list(path.parent.glob("*.damaged"))


def test_p05_an_older_outbox_takes_in_what_has_a_journal(bench: Bench, tmp_path: Path) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    first = bench.read()
    bench.station.outbox.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copy(bench.station.state.database, tmp_path / "old")
    put(bench.card, "B.JPG", jpeg(2))
    second = bench.read()
    bench.station.outbox.connection.close()
    lose(bench.station.state.database)
    shutil.copy(tmp_path / "old", bench.station.state.database)
    with Workstation(State(bench.station.state.folder)) as again:
        assert [row.id for row in again.outbox.returns.newest()] == [second, first]
        assert {row.state for row in again.outbox.returns.newest()} == {"copied"}


def sightings_of(site: Site, digests: list[str]) -> list[tuple[str, int]]:
    query = (
        "SELECT digest, count(*) FROM images JOIN sightings USING (digest) WHERE digest = ANY(%s)"
        " GROUP BY digest ORDER BY digest"
    )
    return execute(site.service.settings, query, digests)


def test_p05_rebuilt_before_and_after_the_receipt_nothing_is_there_twice(site: Site) -> None:
    taken = site.prepared(3)
    digests = [hashlib.sha256(data).hexdigest() for data in taken.values()]
    site.agent("read", str(site.card), "--no-push")
    [before] = site.status()["cardReturns"]
    nothing = {"SIGHTLEDGER_AGENT_MEDIA_ROOTS": str(site.card.parent / "none")}
    lose(site.state.database)
    site.agent("run", "--once", **nothing)
    [after] = site.status()["cardReturns"]
    assert (after["id"], after["state"]) == (before["id"], "held")
    assert sightings_of(site, digests) == [(digest, 1) for digest in sorted(digests)]
    # And once more, now that the receipt is noted and the journal is gone: what lies in the spool is
    # explained by the service, so that it can be pruned again.
    lose(site.state.database)
    assert "3 files without a card return here are held by the service" in site.agent("rebuild")
    with Workstation(site.state) as station:
        assert sorted(station.outbox.originals.prunable(None)) == sorted(digests)
        assert station.outbox.originals.unexplained() == []
    # The whole state lost but for the enrolment: the card is put in again, and no byte is sent.
    shutil.rmtree(site.state.spool)
    lose(site.state.database)
    site.agent("run", "--once", **nothing)
    site.agent("read", str(site.card), "--push")
    [again] = site.status()["cardReturns"]
    recorded = site.get(f"/card-returns/{again['id']}")
    assert (recorded["files"], recorded["filesNew"], recorded["bytesNew"]) == (3, 0, 0)
    assert sightings_of(site, digests) == [(digest, 2) for digest in sorted(digests)]


class Asked:
    clock_offset: float | None = 60.0

    def __init__(self, held: list[str]) -> None:
        self._held = held

    def held(self, digests: list[str]) -> list[str]:
        return [digest for digest in digests if digest in self._held]


def test_p05_bytes_that_nobody_explains_stay(bench: Bench) -> None:
    known, unknown = (bench.station.spool.store([jpeg(n)])[0] for n in (1, 2))
    outbox = bench.station.outbox
    rebuild(outbox, bench.station.spool, bench.station.state.locks)
    assert outbox.originals.unexplained() == sorted([known, unknown])
    assert ask_held(outbox.originals, Asked([known])) == 1
    assert list(outbox.originals.prunable(None)) == [known]
    assert outbox.originals.unexplained() == [unknown]


@pytest.mark.parametrize("by_service", [timedelta(days=-400), timedelta(days=6), timedelta(days=8)])
@pytest.mark.parametrize("by_own", [timedelta(hours=-2), timedelta(days=6), timedelta(days=8)])
def test_p26_a_copy_is_pruned_when_its_time_has_passed_by_both_clocks(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, by_service: timedelta, by_own: timedelta
) -> None:
    """A clock of the service or of the workstation that jumps a year ahead prunes nothing early."""
    put(bench.card, "A.JPG", jpeg(1))
    return_id = bench.read()
    at, real = datetime(2026, 11, 1, tzinfo=UTC), datetime.now(UTC)
    bench.station.outbox.hold(return_id, b"{}", at)
    monkeypatch.setattr("agent.outbox.pruning.now", lambda: real + by_own)
    settings = Settings(keep_days=7, spool_free=0)
    outbox, spool = bench.station.outbox, bench.station.spool
    assert prune(outbox, spool, settings) == 0, "never heard from the service: nothing is old"
    bench.station.cache.note_heard(at + by_service)
    passed = min(by_service, by_own) > timedelta(days=7)
    assert prune(outbox, spool, settings) == int(passed)


def test_p05_a_prepared_card_that_was_not_told_is_told_after_a_rebuild(bench: Bench) -> None:
    marker = bench.prepare()
    bench.station.outbox.connection.close()
    lose(bench.station.state.database)
    bench.station.spool.store([jpeg(1)])
    with Workstation(State(bench.station.state.folder)) as again:
        assert [card for card, _ in again.outbox.preparations.unsent()] == [marker.card_id]
        again.outbox.preparations.note_sent(marker.card_id)
        assert Journals(again.state.spool).prepared() == []


def test_a_journal_is_removed_only_after_the_receipt_is_noted(bench: Bench) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    return_id = bench.read()
    path = Journals(bench.station.state.spool).path(return_id)
    with pytest.raises(sqlite3.IntegrityError):
        bench.station.outbox.hold(return_id, None)  # type: ignore[arg-type]
    assert path.exists()
    bench.station.outbox.hold(return_id, b"{}")
    assert not path.exists()
    assert bench.station.outbox.returns.find(new_id()) is None

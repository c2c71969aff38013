"""The agent killed at every named point from reading to receipt, against the real service and store."""

from __future__ import annotations

import asyncio
import hashlib
import shutil
import signal
import subprocess
import sys
from contextlib import closing
from uuid import UUID

import pytest

from agent.outbox.card_return import CardReturn
from agent.outbox.files import CardFile
from agent.settings import State
from agent.workstation import Workstation
from service.contract.failpoints import AGENT
from service.contract.wire import new_id
from service.objects import ObjectSettings
from service.objects.holding import Holding
from tests.agent.sites import ROOT, Site, make_site, variables
from tests.agent.station import jpeg, put
from tests.live_service import Running, execute

# So that a card of a few files goes in several transactions and parts, as one of thousands does.
SMALL_BATCHES = """
import sys
from agent.cards import taking
from agent.outbox import card_return, returns
taking.FILES_PER_COMMIT, returns.CUT = 2, card_return.Cut(2, 1)
from agent.__main__ import main
main()
"""


def killed_at(state: State, point: str, *arguments: str) -> None:
    """Run the command, which must come to the point and die there."""
    run = subprocess.run(
        [sys.executable, "-c", SMALL_BATCHES, "--state", str(state.folder), *arguments],
        capture_output=True,
        text=True,
        env=variables(SIGHTLEDGER_FAILPOINT=point),
        cwd=ROOT,
    )
    assert run.returncode == -signal.SIGKILL, f"{point} was not reached: {run.stdout}{run.stderr}"


def held_of(site: Site, digests: set[str]) -> dict[str, int]:
    """Images by digest, with how many sightings each has."""
    rows = execute(
        site.service.settings,
        "SELECT digest, count(*) FROM images JOIN sightings USING (digest) WHERE digest = ANY(%s)"
        " GROUP BY digest",
        list(digests),
    )
    return dict(rows)


@pytest.fixture(scope="module")
def site(service: Running, database_url: str, tmp_path_factory: pytest.TempPathFactory) -> Site:
    """One workstation and one card for all points: it must bear being killed again and again."""
    made = make_site(service, database_url, tmp_path_factory.mktemp("killed"))
    made.agent("prepare", made.unit, "--card", str(made.card), "--profile", "two-level")
    return made


@pytest.fixture(scope="module")
def before(object_settings: ObjectSettings) -> set[str]:
    return asyncio.run(in_store(object_settings))


async def in_store(settings: ObjectSettings) -> set[str]:
    """Digests of every original in the bucket."""
    with closing(Holding(settings)) as holding:
        return {one.digest async for page, _ in holding.originals() for one in page if one.digest}


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
@pytest.mark.parametrize("point", AGENT)
@pytest.mark.usefixtures("before")
def test_p01_killed_at_any_point_the_agent_loses_nothing(site: Site, point: str) -> None:
    shutil.rmtree(site.card / "01 A", ignore_errors=True)
    taken = {f"01 A/TWVS{n:04}.JPG": jpeg(new_id().int % 2**32) for n in range(1, 6)}
    for path, data in taken.items():
        put(site.card, path, data)
    digests = {hashlib.sha256(data).hexdigest() for data in taken.values()}
    known = {row.id for row in returns_here(site)}
    killed_at(site.state, point, "read", str(site.card), "--push")
    # What a person does: the workstation is started again, and the card is put in again.
    site.agent("run", "--once", SIGHTLEDGER_AGENT_MEDIA_ROOTS=str(site.card.parent / "none"))
    site.agent("read", str(site.card), "--push")
    returns = [row for row in returns_here(site) if row.id not in known]
    assert {row.state for row in returns} == {"held"}
    assert returns[0].complete, "the second reading is whole"
    files_of = {row.id: site.get(f"/card-returns/{row.id}/files")["items"] for row in returns}
    assert {file["path"] for file in files_of[returns[0].id]} == set(taken)
    sightings = held_of(site, digests)
    assert set(sightings) == digests, "every file has one row"
    assert sum(sightings.values()) == sum(len(files) for files in files_of.values())
    receipts = execute(
        site.service.settings,
        "SELECT count(*) FROM receipts WHERE card_return_id = ANY(%s::uuid[])",
        list(files_of),
    )
    assert receipts[0][0] == len(returns)
    assert_nothing_left(site.state)


def returns_here(site: Site) -> list[CardReturn]:
    with Workstation(site.state) as station:
        return station.outbox.returns.newest(1000)


def test_p01_after_all_kills_the_store_holds_what_the_rows_name_and_nothing_more(
    site: Site, before: set[str], object_settings: ObjectSettings
) -> None:
    read = {file.sha256 for kept in returns_here(site) for file in files_here(site, kept.id)}
    assert len(read) == 5 * len(AGENT)
    assert asyncio.run(in_store(object_settings)) - before == read
    assert set(held_of(site, read)) == read


def files_here(site: Site, return_id: UUID) -> list[CardFile]:
    with Workstation(site.state) as station:
        return list(station.outbox.files.of(return_id))


def assert_nothing_left(state: State) -> None:
    assert list((state.spool / "incoming").iterdir()) == []
    assert list((state.spool / "returns").glob("*")) == [], "receipts are noted: journals are gone"
    spooled = {path.name for path in (state.spool / "sha256").glob("*/*")}
    for name in spooled:
        assert hashlib.sha256((state.spool / "sha256" / name[:2] / name).read_bytes()).hexdigest() == name


def test_p01_every_point_of_the_agent_is_placed() -> None:
    text = "".join(path.read_text("utf-8") for path in (ROOT / "agent").rglob("*.py"))
    assert [point for point in AGENT if f'reach("{point}")' not in text] == []

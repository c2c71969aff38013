"""The agent killed at every named point from reading to receipt, against the real service and store."""

from __future__ import annotations

import hashlib
import signal
import subprocess
import sys

import pytest

from agent.settings import State
from service.contract.failpoints import AGENT
from tests.agent.test_pushing import ROOT, Site, site, variables
from tests.running import execute

__all__ = ["site"]

# So that a card of a few files goes in several transactions, as one of thousands does.
SMALL_BATCHES = """
import sys
from agent.cards import taking
taking.FILES_PER_COMMIT = 2
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


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
@pytest.mark.parametrize("point", AGENT)
def test_p01_killed_at_any_point_the_agent_loses_nothing(site: Site, point: str) -> None:
    taken = site.prepared(5)
    digests = {hashlib.sha256(data).hexdigest() for data in taken.values()}
    killed_at(site.state, point, "read", str(site.card), "--push")
    # What a person does: the workstation is started again, and the card is put in again.
    nothing = str(site.card.parent / "none")
    site.agent("run", "--once", SIGHTLEDGER_AGENT_MEDIA_ROOTS=nothing)
    site.agent("read", str(site.card), "--push")
    returns = site.status()["cardReturns"]
    assert {one["state"] for one in returns} == {"held"}
    assert returns[0]["complete"], "the second reading is whole"
    files_of = {one["id"]: site.get(f"/card-returns/{one['id']}/files")["items"] for one in returns}
    assert {file["path"] for file in files_of[returns[0]["id"]]} == set(taken)
    sightings = held_of(site, digests)
    assert set(sightings) == digests, "every file has one row"
    assert sum(sightings.values()) == sum(len(files) for files in files_of.values())
    receipts = execute(
        site.service.settings,
        "SELECT count(*) FROM receipts WHERE card_return_id = ANY(%s::uuid[])",
        list(files_of),
    )
    assert receipts[0][0] == len(returns)
    assert_nothing_left(site.state, returns)


def assert_nothing_left(state: State, returns: list[dict[str, object]]) -> None:
    assert list((state.spool / "incoming").iterdir()) == []
    assert list((state.spool / "returns").glob("*")) == [], "receipts are noted: journals are gone"
    spooled = {path.name for path in (state.spool / "sha256").glob("*/*")}
    for name in spooled:
        assert hashlib.sha256((state.spool / "sha256" / name[:2] / name).read_bytes()).hexdigest() == name


def test_p01_every_point_of_the_agent_is_placed() -> None:
    text = "".join(path.read_text("utf-8") for path in (ROOT / "agent").rglob("*.py"))
    assert [point for point in AGENT if f'reach("{point}")' not in text] == []

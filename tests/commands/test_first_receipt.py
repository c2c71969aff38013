"""The README's way from nothing to the first receipt, command by command as it stands there."""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

import httpx

from tests.documents import STAYS, Shell, blocks
from tests.live_service import ROOT

OWN_ENGINES = "# with engines of your own\n"
# What a reader waits for before going on in the first terminal.
READY = {"deploy.engines": "are up", "serve": "Started worker", "worker": "Starting worker"}


def test_the_readme_leads_from_nothing_to_the_first_receipt(tmp_path: Path) -> None:
    """All but the installation, which would need a package index: this Python has everything already."""
    install, *rest = blocks(ROOT / "README.md", "From nothing to the first receipt")
    assert "pip install" in install
    (tmp_path / ".try").mkdir()
    (tmp_path / ".try" / "venv").symlink_to(sys.prefix)
    for of_the_source_tree in ("seed", "deploy"):
        (tmp_path / of_the_source_tree).symlink_to(ROOT / of_the_source_tree)
    kept = {name: value for name, value in os.environ.items() if not name.startswith("SIGHTLEDGER_")}
    printed = ""
    with Shell(tmp_path, kept) as terminal:
        for block in rest:
            if block.startswith(OWN_ENGINES):
                continue
            if block.startswith(STAYS):
                awaited = next(text for name, text in READY.items() if name in block)
                terminal.leave_open(block, lambda log, awaited=awaited: awaited in log)
                continue
            printed = terminal.run(block)
        assert "held centrally" in printed
        _one_receipt_is_there(terminal.environment["SIGHTLEDGER_PUBLIC_URL"], tmp_path / ".try")


def _one_receipt_is_there(url: str, folder: Path) -> None:
    """As anna sees it, signed in with the password of the list."""
    password = (folder / "anna.password").read_text().strip()
    with httpx.Client(base_url=f"{url}/api/v1", timeout=30) as anna:
        session = anna.post("/sessions", json={"login": "anna", "password": password})
        anna.headers["Authorization"] = f"Bearer {session.json()['token']}"
        (came,) = anna.get("/card-returns").json()["items"]
        assert (came["state"], came["complete"], came["files"]) == ("committed", True, 1)
        receipt = anna.get(f"/card-returns/{came['id']}/receipt")
        assert receipt.json().keys() >= {"payload", "protected", "signature"}
        (picture,) = anna.get("/units/KG30401-E/images").json()["items"]
        assert picture["location"] == "KG.GEN.ID"
        total = anna.get("/completion").json()["total"]
        assert (total["inspections"], total["complete"]) == (3, 1)


def test_the_readme_installs_from_the_source_tree_only() -> None:
    """Nothing is published: a name given to pip would fetch somebody else's package."""
    told = re.findall(r"pip install .*", (ROOT / "README.md").read_text())
    assert told
    # What others published comes with the hash of every file.
    ours = [line for line in told if not line.startswith("pip install --require-hashes -r deploy/")]
    assert all(re.search(r"""(?:^| )'?\.(?:\[[a-z,]+\])?'?(?: |$|`)""", line) for line in ours), told

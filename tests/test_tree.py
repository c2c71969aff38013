"""The tree itself: layout, import rules, style, types. What CI refuses, a developer sees here first."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.source_tree import ROOT, tracked

TOP = {
    "README.md", "DEVELOPERS.md", "pyproject.toml",
    "service", "agent", "migrations", "deploy", "tests", "seed",
}  # fmt: skip
CODE = ("service", "agent", "migrations", "deploy", "seed", "tests")
LONGEST_MODULE = 400


@pytest.mark.parametrize(
    "command",
    [
        ("ruff", "check", "."),
        ("ruff", "format", "--check", "."),
        ("mypy",),
        ("importlinter.cli", "lint"),
    ],
    ids=["ruff check", "ruff format", "mypy", "import rules"],
)
def test_linters_find_nothing(command: tuple[str, ...]) -> None:
    module, *words = command
    run = [sys.executable, "-m", module, *words]
    if module == "importlinter.cli":
        run = [str(Path(sys.executable).with_name("lint-imports"))]
    done = subprocess.run(run, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_top_level_is_the_fixed_one() -> None:
    assert {path.split("/")[0] for path in tracked() if not path.startswith(".")} == TOP


def test_no_module_is_longer_than_one_room() -> None:
    long = [
        path
        for path in tracked()
        if path.endswith(".py")
        and path.startswith(("service/", "agent/"))
        and len((ROOT / path).read_text().splitlines()) > LONGEST_MODULE
    ]
    assert long == []


def test_the_agents_sql_stays_in_its_outbox() -> None:
    agents = [path for path in tracked() if path.startswith("agent/") and path.endswith(".py")]
    others = [path for path in agents if not path.startswith("agent/outbox/")]
    assert [path for path in others if ".execute" in (ROOT / path).read_text()] == []


def test_no_helper_drawers() -> None:
    assert [
        path for path in tracked() if Path(path).stem in {"utils", "util", "common", "misc", "helpers"}
    ] == []

"""Contexts point downwards also in tables and in SQL text, where no import shows what is used."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

import service.app  # noqa: F401 (declares every table)
from service.database import metadata
from tests.live_service import ROOT

# Foreign keys and SQL that point upwards on purpose: "table or file -> table", with the reason.
EXCEPTIONS: dict[str, str] = {}

DECLARED = re.compile(r'^(\w+) = (?:sa\.Table|fact_table)\(\s*"(\w+)"', re.MULTILINE)
NAMED = re.compile(r"\b(?:FROM|JOIN|INTO|UPDATE|TABLE|EXISTS)\s+(?:ONLY\s+)?([a-z_]+)\b")


def layers() -> dict[str, int]:
    """Height of each context by its name; those of one line of the contract are equally high."""
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    [lines] = [contract["layers"] for contract in contracts if contract["name"].startswith("contexts depend")]
    return {
        name.strip().removeprefix("service."): height
        for height, line in enumerate(reversed(lines))
        for name in line.split("|")
    }


def context_of(path: Path) -> str:
    inside = path.relative_to(ROOT / "service").parts[0]
    return inside.removesuffix(".py")


def declared() -> dict[str, str]:
    """The context that declares each table."""
    found = {
        table: context_of(path)
        for path in (ROOT / "service").rglob("*.py")
        for _, table in DECLARED.findall(path.read_text())
    }
    assert found.keys() == metadata.tables.keys()
    return found


def upward_keys() -> set[str]:
    height, of = layers(), declared()
    return {
        f"{table.name} -> {key.column.table.name}"
        for table in metadata.tables.values()
        for key in table.foreign_keys
        if height[of[key.column.table.name]] > height[of[table.name]]
    }


def upward_sql(sources: dict[Path, str]) -> set[str]:
    height, of = layers(), declared()
    return {
        f"{path.relative_to(ROOT)} -> {table}"
        for path, text in sources.items()
        for table in set(NAMED.findall(text)) & of.keys()
        if context_of(path) in height and height[of[table]] > height[context_of(path)]
    }


@pytest.fixture(scope="module")
def sources() -> dict[Path, str]:
    return {path: path.read_text() for path in (ROOT / "service").rglob("*.py")}


def test_no_foreign_key_points_upwards() -> None:
    assert upward_keys() <= EXCEPTIONS.keys()


def test_no_sql_names_a_table_of_a_context_above(sources: dict[Path, str]) -> None:
    assert upward_sql(sources) <= EXCEPTIONS.keys()


def test_the_walk_sees_what_points_upwards(sources: dict[Path, str]) -> None:
    low = ROOT / "service" / "units" / "store.py"
    planted = sources | {low: sources[low] + '\n_SQL = "SELECT count(*) FROM placements"\n'}
    assert upward_sql(planted) == upward_sql(sources) | {"service/units/store.py -> placements"}
    assert len(set(layers().values())) > 10


def test_every_exception_is_still_one_and_says_why(sources: dict[Path, str]) -> None:
    assert EXCEPTIONS.keys() == upward_keys() | upward_sql(sources)
    assert all(EXCEPTIONS.values())

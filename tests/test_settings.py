"""Settings by environment: the README's table and the code name the same ones, and bad ones are refused."""

from __future__ import annotations

import re
from dataclasses import MISSING, fields
from pathlib import Path

import pytest

import agent.settings
from service.settings import SettingError, Settings, read_settings

README = (Path(__file__).parents[1] / "README.md").read_text()
NEEDED = {
    "SIGHTLEDGER_DATABASE_URL": "postgresql+psycopg://user@127.0.0.1/db",
    "SIGHTLEDGER_S3_ENDPOINT": "http://127.0.0.1:1",
}


def rows_of_the_readme() -> list[tuple[list[str], str]]:
    """Variables and default of each row; a row may shorten all but its first variable to `_REST`."""
    rows = re.findall(r"^\| (`SIGHTLEDGER_[^|]+)\|[^|]*\|([^|]*)\|$", README, re.MULTILINE)
    return [
        (re.sub(r"`_", "`SIGHTLEDGER_", names).replace("`", "").replace(" ", "").split(","), default)
        for names, default in rows
    ]


def test_the_readme_lists_every_setting_of_the_service_and_no_other() -> None:
    listed = [name for names, _ in rows_of_the_readme() for name in names]
    assert sorted(listed) == sorted(f"SIGHTLEDGER_{spec.name.upper()}" for spec in fields(Settings))


def test_the_readme_tells_the_defaults() -> None:
    told = {name: default for names, default in rows_of_the_readme() for name in names}
    for spec in fields(Settings):
        default = told[f"SIGHTLEDGER_{spec.name.upper()}"]
        if spec.default is MISSING:
            assert "needed" in default
        elif str(spec.default):
            assert f"`{spec.default}`" in default, spec.name


def test_the_readme_lists_every_setting_of_a_workstation() -> None:
    _, _, told = README.partition("Settings of a workstation")
    told = told.partition("\n\n")[0]
    for name in agent.settings.Settings.__struct_fields__:
        assert f"`{name}`" in told, name


def test_every_variable_sets_its_setting() -> None:
    addresses = {name: "http://7" for name in ("s3_endpoint", "s3_public_endpoint", "public_url")}
    addresses["database_url"] = "postgresql+psycopg://7"
    values = {spec.name: "7" for spec in fields(Settings)} | addresses
    read = read_settings({f"SIGHTLEDGER_{name.upper()}": value for name, value in values.items()})
    assert {spec.name: str(getattr(read, spec.name)) for spec in fields(Settings)} == values


@pytest.mark.parametrize("missing", sorted(NEEDED))
def test_a_needed_variable_that_is_missing_or_empty_is_named(missing: str) -> None:
    for held in ({}, {missing: ""}):
        with pytest.raises(SettingError, match=missing):
            read_settings({name: value for name, value in NEEDED.items() if name != missing} | held)


def test_a_number_that_is_none_is_named_with_what_was_given() -> None:
    with pytest.raises(SettingError, match=r"SIGHTLEDGER_PORT='http' is not a whole number"):
        read_settings({**NEEDED, "SIGHTLEDGER_PORT": "http"})

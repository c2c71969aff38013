"""Settings by environment: the README's table and the code name the same ones, and bad ones are refused."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from msgspec.structs import fields

import agent.settings
from agent.errors import AgentError
from service.settings import SettingError, Settings, read_settings

README = (Path(__file__).parents[1] / "README.md").read_text()
NEEDED = {
    "SIGHTLEDGER_DATABASE_URL": "postgresql+psycopg://user:p%40ss@/db?host=h1,h2&port=5432,5433",
    "SIGHTLEDGER_S3_ENDPOINT": "http://127.0.0.1:1",
    "SIGHTLEDGER_S3_ACCESS_KEY": "key",
    "SIGHTLEDGER_S3_SECRET_KEY": "secret",
}
SECRET = {
    "DATABASE_URL",
    "MIGRATION_DATABASE_URL",
    "S3_ACCESS_KEY",
    "S3_SECRET_KEY",
    "METRICS_TOKEN",
    "SSO_CLIENT_SECRET",
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
    assert sorted(listed) == sorted(spec.encode_name for spec in fields(Settings))


def test_the_readme_tells_the_defaults() -> None:
    defaults = {name: default for names, default in rows_of_the_readme() for name in names}
    for spec in fields(Settings):
        default = defaults[spec.encode_name]
        if spec.required:
            assert "needed" in default
        elif str(spec.default):
            assert f"`{spec.default}`" in default, spec.name


def test_the_readme_lists_every_setting_of_a_workstation_with_its_default_and_no_other() -> None:
    _, _, told = README.partition("## Settings of a workstation\n")
    rows = dict(re.findall(r"^\| `(\w+)` \|[^|]*\|([^|]*)\|$", told, re.MULTILINE))
    assert set(rows) == set(agent.settings.Settings.__struct_fields__)
    usual = agent.settings.Settings()
    for name, default in rows.items():
        value = getattr(usual, name)
        shown = int(value) if isinstance(value, float) else value
        assert f"`{_toml(shown)}`" in default or value in (None, []), name


GIVEN = {
    **NEEDED,
    "SIGHTLEDGER_MIGRATION_DATABASE_URL": "postgresql+psycopg://owner:p@host/db",
    "SIGHTLEDGER_S3_PUBLIC_ENDPOINT": "https://store.example.org:8443/s3",
    "SIGHTLEDGER_S3_BUCKET": "originals",
    "SIGHTLEDGER_S3_REGION": "eu-west-1",
    "SIGHTLEDGER_PUBLIC_URL": "https://sightledger.example.org",
    "SIGHTLEDGER_HOST": "::",
    "SIGHTLEDGER_PORT": "443",
    "SIGHTLEDGER_PROCESSES": "2",
    "SIGHTLEDGER_RECEIPT_KEY_FILE": "/etc/sightledger/key.pem",
    "SIGHTLEDGER_TICKET_SECONDS": "60",
    "SIGHTLEDGER_AUDIT_DAYS": "1",
    "SIGHTLEDGER_SWEEP_DAYS": "3650",
    "SIGHTLEDGER_SWEEP_DELETES": "yes",
    "SIGHTLEDGER_SESSION_HOURS": "8760",
    "SIGHTLEDGER_SESSION_IDLE_MINUTES": "525600",
    "SIGHTLEDGER_AGENT_TOKEN_DAYS": "3650",
    "SIGHTLEDGER_TRUSTED_PROXY": "yes",
    "SIGHTLEDGER_PICTURE_READ_DAYS": "3650",
    "SIGHTLEDGER_METRICS_TOKEN": "a-token.of~some+length/==",
    "SIGHTLEDGER_SECURITY_CONTACT": "https://example.org/report",
    "SIGHTLEDGER_SSO_ISSUER": "https://login.example.org/plant",
    "SIGHTLEDGER_SSO_CLIENT_ID": "sightledger",
    "SIGHTLEDGER_SSO_CLIENT_SECRET": "a+secret/of%some~length",
    "SIGHTLEDGER_SSO_CLIENT_KEY_FILE": "/etc/sightledger/client key.pem",
    "SIGHTLEDGER_SSO_SCOPES": "openid profile groups",
    "SIGHTLEDGER_SSO_CLAIM": "https://example.org/groups",
    "SIGHTLEDGER_SSO_GROUPS_FILE": "/etc/sightledger/groups.toml",
    "SIGHTLEDGER_LOCAL_ACCOUNTS": "no",
    "SIGHTLEDGER_LOG_LEVEL": "warning",
}


def test_every_variable_sets_its_setting() -> None:
    read = read_settings(GIVEN)
    assert {spec.encode_name: str(getattr(read, spec.name)) for spec in fields(Settings)} == GIVEN


@pytest.mark.parametrize("missing", sorted(NEEDED))
def test_a_needed_variable_that_is_missing_or_empty_is_named(missing: str) -> None:
    for given in ({}, {missing: ""}):
        with pytest.raises(SettingError, match=missing):
            read_settings({name: value for name, value in NEEDED.items() if name != missing} | given)


NO_NUMBERS = ("", "0", "-1", "nan", "inf", "1e999", "9" * 30, "7.5", "seven", " 7", "7\n")
SENSELESS = {
    "DATABASE_URL": (
        "postgres://user@host/db",
        "postgresql+psycopg://",
        "postgresql+psycopg://host:99999/db",
    ),
    "MIGRATION_DATABASE_URL": ("postgres://user@host/db", "postgresql+psycopg://host:99999/db"),
    "S3_ENDPOINT": (
        "store:8333",
        "ftp://store",
        "http://",
        "http://store:0",
        "http://store:65536",
        "http://a b",
    ),
    "S3_PUBLIC_ENDPOINT": ("store:8333", "https://key@store", "https://store?x=1", "https://store\n"),
    "S3_ACCESS_KEY": (" key",),
    "S3_SECRET_KEY": ("key ", "key\n"),
    "S3_BUCKET": ("", "a", "a/b"),
    "S3_REGION": ("", "us east"),
    "PUBLIC_URL": ("", "sightledger.example.org", "https://example.org/sightledger"),
    "HOST": ("", "localhost", "256.0.0.1"),
    "PORT": (*NO_NUMBERS, "65536"),
    "PROCESSES": NO_NUMBERS,
    "RECEIPT_KEY_FILE": ("",),
    "TICKET_SECONDS": (*NO_NUMBERS, "1", "604801"),
    "AUDIT_DAYS": NO_NUMBERS,
    "SWEEP_DAYS": NO_NUMBERS,
    "SWEEP_DELETES": ("", "true", "YES", "1"),
    "SESSION_HOURS": NO_NUMBERS,
    "SESSION_IDLE_MINUTES": NO_NUMBERS,
    "AGENT_TOKEN_DAYS": NO_NUMBERS,
    "TRUSTED_PROXY": ("", "true", "YES", "1", "10.0.0.1"),
    "PICTURE_READ_DAYS": (*NO_NUMBERS, "3651"),
    "METRICS_TOKEN": ("two words", "tökén", "token\n"),
    "SECURITY_CONTACT": ("safety@example.org", "http://example.org", "mailto:a b", "mailto:a\r\nX: y"),
    "SSO_ISSUER": ("login.example.org", "ftp://login", "https://key@login", "https://login?x=1"),
    "SSO_CLIENT_ID": ("two words", "é"),
    "SSO_CLIENT_SECRET": ("two words", "schlüssel", "secret\n"),
    "SSO_CLIENT_KEY_FILE": (" key.pem", "key.pem\n"),
    "SSO_SCOPES": ("", "profile", "openid,profile", "openid  profile", 'openid "x"'),
    "SSO_CLAIM": ("", "two words"),
    "SSO_GROUPS_FILE": (" groups.toml",),
    "LOCAL_ACCOUNTS": ("", "off", "NO"),
    "LOG_LEVEL": ("", "loud", "INFO"),
}


@pytest.mark.parametrize(
    ("name", "raw"), [(name, raw) for name, values in SENSELESS.items() for raw in values]
)
def test_a_senseless_value_is_refused_with_its_variable_and_what_it_must_be(name: str, raw: str) -> None:
    with pytest.raises(SettingError) as refused:
        read_settings({**NEEDED, f"SIGHTLEDGER_{name}": raw})
    sentence = str(refused.value)
    assert sentence.startswith(f"SIGHTLEDGER_{name}")
    assert "cannot be used: it must be " in sentence
    # A secret is never shown again, not even a wrong one.
    assert (repr(raw) in sentence) is (name not in SECRET)


def test_every_setting_of_the_service_is_tried_with_senseless_values() -> None:
    assert set(SENSELESS) == {spec.name.upper() for spec in fields(Settings)}


def test_all_wrong_variables_are_named_together() -> None:
    with pytest.raises(SettingError, match=r"AUDIT_DAYS='0'.*SWEEP_DAYS='-3'"):
        read_settings({**NEEDED, "SIGHTLEDGER_AUDIT_DAYS": "0", "SIGHTLEDGER_SWEEP_DAYS": "-3"})


def test_the_service_does_not_start_with_a_senseless_value(tmp_path: Path) -> None:
    variables = {**os.environ, **NEEDED, "SIGHTLEDGER_AUDIT_DAYS": "0"}
    done = subprocess.run(
        [sys.executable, "-m", "service", "serve"], env=variables, capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 2
    assert done.stderr == (
        "SIGHTLEDGER_AUDIT_DAYS='0' cannot be used: it must be a whole number of days from 1 to 3650.\n"
    )


NO_SECONDS = (0, -1.0, float("nan"), float("inf"), 1e300, "", "soon", True)
SENSELESS_AT_A_WORKSTATION: dict[str, tuple[object, ...]] = {
    "media_roots": ("/media", [""], [7]),
    "take_unmarked": ("maybe", 7),
    "profile": ("", 7),
    "pull_every": NO_SECONDS,
    "compare_every": NO_SECONDS,
    "report_every": NO_SECONDS,
    "watch_every": NO_SECONDS,
    "uploads": (0, -1, 2.5, float("nan"), 10**9, ""),
    "timeout": (*NO_SECONDS, 61),
    "bandwidth": (0, -1.0, 12, float("nan"), float("inf")),
    "full_speed_hours": ("18:00-06:00", ["18-6"], ["25:00-06:00"], ["18:00-06:00\n"]),
    "push_hours": (["at night"], [""]),
    "keep_days": (-0.5, float("nan"), float("inf"), 1e9),
    "spool_free": (-1, 0.5, float("nan"), 10**30),
}


@pytest.mark.parametrize(
    ("name", "raw"), [(name, raw) for name, values in SENSELESS_AT_A_WORKSTATION.items() for raw in values]
)
def test_a_senseless_value_of_a_workstation_is_refused_in_words(
    tmp_path: Path, name: str, raw: object
) -> None:
    (tmp_path / "agent.toml").write_text(f"{name} = {_toml(raw)}\n", "utf-8")
    with pytest.raises(AgentError) as refused:
        agent.settings.State(tmp_path).settings({})
    assert re.search(rf"{name} cannot be .*, it must be ", refused.value.detail)
    assert "Expected" not in refused.value.text()
    assert refused.value.consequence == "Nothing was done."
    assert "agent.toml" in (refused.value.next_step or "")


def _toml(raw: object) -> str:
    """As TOML writes it; for text, lists and truth the same as JSON."""
    return json.dumps(raw) if isinstance(raw, str | list | bool) else repr(raw)


def test_every_setting_of_a_workstation_is_tried_with_senseless_values() -> None:
    assert set(SENSELESS_AT_A_WORKSTATION) == set(agent.settings.Settings.__struct_fields__)


def test_the_defaults_of_a_workstation_may_be_written_down(tmp_path: Path) -> None:
    usual = agent.settings.Settings()
    values = {name: getattr(usual, name) for name in usual.__struct_fields__}
    lines = [f"{name} = {_toml(value)}" for name, value in values.items() if value is not None]
    (tmp_path / "agent.toml").write_text("\n".join(lines), "utf-8")
    assert agent.settings.State(tmp_path).settings({}) == usual


def test_a_setting_that_is_none_is_refused_and_the_nearest_is_named(tmp_path: Path) -> None:
    (tmp_path / "agent.toml").write_text("bandwith = 2000\n", "utf-8")
    with pytest.raises(AgentError, match="no setting bandwith, perhaps bandwidth"):
        agent.settings.State(tmp_path).settings({})


def test_a_file_that_is_no_toml_is_told_in_words(tmp_path: Path) -> None:
    for broken in (b"uploads = \n", b"\xff"):
        (tmp_path / "agent.toml").write_bytes(broken)
        with pytest.raises(AgentError) as refused:
            agent.settings.State(tmp_path).settings({})
        assert refused.value.detail.endswith("agent.toml cannot be read.")
        assert "it must be TOML in UTF-8 (" in (refused.value.next_step or "")

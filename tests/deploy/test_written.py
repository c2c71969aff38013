"""What is written for those who deploy and runs nowhere here names commands and settings that there are."""

from __future__ import annotations

import re
import shlex
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer
import yaml

import agent.__main__
import agent.settings
import service.__main__
from service.settings import read_settings

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()
COMPOSE = ROOT / "deploy/container/compose.yaml"
UNITS = sorted((ROOT / "deploy/systemd").glob("*.service"))
PROGRAMS = {"sightledger": service.__main__.app, "sightledger-agent": agent.__main__.app}


def compose() -> dict[str, Any]:
    """As Compose reads it, every variable given."""
    names = re.findall(r"^(\w+)=", (COMPOSE.parent / ".env.example").read_text(), re.MULTILINE)
    given = {name: "https://sightledger.example.org" if name.endswith("_URL") else "given" for name in names}
    filled = re.sub(r"\$\{(\w+)(?::\?[^}]*)?\}", lambda found: given[found[1]], COMPOSE.read_text())
    held: dict[str, Any] = yaml.safe_load(filled)
    return held


def started() -> Iterator[tuple[str, list[str]]]:
    """Where a command stands, and its words."""
    for name, part in compose()["services"].items():
        if part.get("command", [""])[0] in PROGRAMS:
            yield f"compose {name}", part["command"]
    containerfile = (ROOT / "deploy/container/Containerfile").read_text()
    yield "Containerfile", yaml.safe_load(re.findall(r"^CMD (.+)$", containerfile, re.MULTILINE)[0])
    for unit in UNITS:
        for line in re.findall(r"^ExecStart(?:Pre)?=(.+)$", unit.read_text(), re.MULTILINE):
            program, *words = shlex.split(line)
            yield unit.name, [Path(program).name, *words]


@pytest.mark.parametrize(
    ("where", "words"), list(started()), ids=lambda part: part if isinstance(part, str) else ""
)
def test_every_command_that_is_started_is_there(where: str, words: list[str]) -> None:
    commands = typer.main.get_command(PROGRAMS[words[0]])
    context = commands.make_context(words[0], words[1:2], resilient_parsing=True)
    assert words[1] in commands.list_commands(context), where  # type: ignore[attr-defined]


def test_the_settings_of_the_compose_file_are_taken() -> None:
    given = compose()["services"]["service"]["environment"]
    assert all(f"`{name}`" in README or f"`_{name.removeprefix('SIGHTLEDGER_')}`" in README for name in given)
    assert read_settings(given).secure_cookies


def test_the_unit_of_a_workstation_sets_what_the_agent_reads() -> None:
    unit = (ROOT / "deploy/systemd/sightledger-agent.service").read_text()
    [name] = re.findall(r"^Environment=(\w+)=", unit, re.MULTILINE)
    assert name == "SIGHTLEDGER_AGENT_STATE"
    assert name in (ROOT / "agent/__main__.py").read_text()


def test_what_the_container_file_copies_is_there() -> None:
    copied = re.findall(
        r"^COPY (.+) \S+$", (ROOT / "deploy/container/Containerfile").read_text(), re.MULTILINE
    )
    assert copied
    assert [name for names in copied for name in names.split() if not (ROOT / name).exists()] == []


SCRIPTS = (
    ".ci/run",
    "deploy/demo",
    "deploy/environment",
    "deploy/docker/make-test-images",
    "deploy/docker/postgres-entrypoint",
    "tests/run",
    "tests/bench/run",
    "tests/soak/run",
)


@pytest.mark.parametrize("script", SCRIPTS)
def test_a_script_is_one_that_its_shell_reads(script: str) -> None:
    first = (ROOT / script).read_text().splitlines()[0]
    shell = "bash" if "bash" in first else "sh"
    done = subprocess.run([shell, "-n", ROOT / script], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_hooks_before_a_commit_run_programs_that_are_there() -> None:
    hooks = yaml.safe_load((ROOT / ".pre-commit-config.yaml").read_text())["repos"][0]["hooks"]
    assert [hook["entry"] for hook in hooks if not (ROOT / hook["entry"].split()[0]).exists()] == []

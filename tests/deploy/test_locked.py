"""What is installed in earnest comes with hashes, in the versions that the tests ran with."""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import PackageNotFoundError, requires
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[2]
LOCKED = {"agent": (), "service": ("service",)}
both = pytest.mark.parametrize("name", sorted(LOCKED))


def pins(path: Path) -> dict[str, str]:
    found = re.findall(r"^([A-Za-z0-9._-]+)==([^\s;]+)", path.read_text(), re.MULTILINE)
    return {plain(name): version for name, version in found}


def plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def locked(name: str) -> Path:
    return ROOT / f"deploy/requirements-{name}.txt"


@both
def test_each_pin_is_that_of_the_tests_and_has_hashes(name: str) -> None:
    tried = pins(ROOT / "deploy/constraints.txt")
    entries = re.sub(r"\\\n", " ", locked(name).read_text()).splitlines()
    given = {plain(line.partition("==")[0]): line for line in entries if line[:1] not in ("#", "")}
    assert pins(locked(name)).keys() == given.keys()
    assert [line for line in given.values() if not re.search(r"--hash=sha256:[0-9a-f]{64}", line)] == []
    versions = pins(locked(name)).items()
    differ = [package for package, version in versions if tried.get(package) != version]
    # What only other systems install was not there when the versions were written down.
    assert [package for package in differ if "sys_platform" not in given[package]] == []


@both
def test_all_that_is_needed_is_locked(name: str) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    waiting = [Requirement(line) for line in project["project"]["dependencies"]]
    for extra in LOCKED[name]:
        waiting += map(Requirement, project["project"]["optional-dependencies"][extra])
    waiting += map(Requirement, project["build-system"]["requires"])
    needed: set[tuple[str, frozenset[str]]] = set()
    while waiting:
        wanted = waiting.pop()
        key = (plain(wanted.name), frozenset(wanted.extras))
        if key in needed or (wanted.marker is not None and not wanted.marker.evaluate({"extra": ""})):
            continue
        needed.add(key)
        waiting += _further(wanted)
    assert {package for package, _ in needed} - pins(locked(name)).keys() == set()


def _further(wanted: Requirement) -> list[Requirement]:
    try:
        lines = [Requirement(line) for line in requires(wanted.name) or []]
    except PackageNotFoundError:
        return []
    chosen = ("", *wanted.extras)
    return [
        Requirement(str(line).partition(";")[0])
        for line in lines
        if line.marker is None or any(line.marker.evaluate({"extra": extra}) for extra in chosen)
    ]


def test_the_container_file_installs_nothing_without_a_hash() -> None:
    text = re.sub(r"\\\n", " ", (ROOT / "deploy/container/Containerfile").read_text())
    installs = re.findall(r"pip install ([^&\n]*)", text)
    assert len(installs) == 2
    assert "--require-hashes" in installs[0]
    assert "requirements-service.txt" in installs[0]
    assert {"--no-deps", "--no-build-isolation", "--no-index"} <= set(installs[1].split())

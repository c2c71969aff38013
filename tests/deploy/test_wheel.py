"""What `pip install .` puts onto a machine: agent and service, without the demo that draws pictures."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from zipfile import ZipFile

import pytest

from tests.source_tree import ROOT, tracked

# In what is installed no module of the source tree can be found: Python's own folders come after this one.
WITHOUT_THE_SOURCE_TREE = """
import sys
sys.path[:] = [sys.argv.pop(1), *(path for path in sys.path if "site-packages" in path or "python3" in path)]
sys.meta_path[:] = [finder for finder in sys.meta_path if "editable" not in repr(finder)]
from service.__main__ import main
sys.argv[0] = "sightledger"
main()
"""


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built from the tracked files as they are now, without a package index."""
    source, built = tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("built")
    for name in tracked():
        if (ROOT / name).exists() and not name.startswith("tests/"):
            (source / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, source / name)
    offline = ("--no-deps", "--no-build-isolation", "--no-index")
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", *offline, "--wheel-dir", built, source]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    (found,) = built.glob("*.whl")
    return found


def test_a_workstation_gets_no_generator_of_pictures(wheel: Path) -> None:
    names = ZipFile(wheel).namelist()
    assert {name.split("/")[0] for name in names if ".dist-info/" not in name} == {
        "agent",
        "migrations",
        "service",
    }
    shipped = {name for name in tracked() if name.startswith(("agent/", "migrations/", "service/"))}
    assert shipped - set(names) == set(), "every file of the packages is needed where they run"


def test_an_installed_service_says_that_the_demos_fleet_is_in_the_source_tree(
    wheel: Path, tmp_path: Path
) -> None:
    with ZipFile(wheel) as packed:
        packed.extractall(tmp_path / "installed")
    done = subprocess.run(
        [sys.executable, "-I", "-c", WITHOUT_THE_SOURCE_TREE, tmp_path / "installed", "seed"],
        env={
            "SIGHTLEDGER_DATABASE_URL": "postgresql+psycopg://u:p@127.0.0.1:9/d",
            "SIGHTLEDGER_S3_ENDPOINT": "http://127.0.0.1:9",
            "SIGHTLEDGER_S3_ACCESS_KEY": "key",
            "SIGHTLEDGER_S3_SECRET_KEY": "secret",
        },
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert "nothing was loaded" in done.stderr
    assert "source tree" in done.stderr
    assert "Traceback" not in done.stderr

"""More than 95 % of the lines of every rules.py are run by the pure tests alone, without a database."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
PURE = (
    "tests/access/test_keys.py",
    "tests/access/test_networks.py",
    "tests/access/test_rules.py",
    "tests/attack/test_administrators.py::test_a_change_that_gives_no_guarded_right_needs_nobody_else",
    "tests/attack/test_administrators.py::test_reach_is_an_order",
    "tests/attack/test_sessions.py::test_an_origin_is_scheme_host_and_port",
    "tests/attack/test_sessions.py::test_common_words_make_no_password_however_many",
    "tests/attack/test_sessions.py::test_what_nobody_would_guess_is_taken",
    "tests/records/test_thumbnails.py",
    "tests/access/test_callers.py::test_a_code_is_read_however_it_is_typed",
    "tests/access/test_sessions.py::test_the_wait_grows_and_ends",
    "tests/campaigns/test_rules.py",
    "tests/custody/test_rules.py",
    "tests/intake/test_manifest_rules.py",
    "tests/intake/test_placing_rules.py",
    "tests/plans/test_rules.py",
    "tests/records/test_taken_at.py",
    "tests/web/test_rules.py",
)
ENOUGH = 95.0


def test_the_pure_tests_run_the_rules(tmp_path: Path) -> None:
    environment = {**os.environ, "COVERAGE_FILE": str(tmp_path / "measured")}

    def coverage(*words: str) -> None:
        command = [sys.executable, "-m", "coverage", *words]
        done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]

    options = ("-q", "-p", "no:cacheprovider", "--hypothesis-profile=few")
    coverage("run", "--include=service/*/rules.py,service/*/rules/*.py", "-m", "pytest", *options, *PURE)
    coverage("json", "-o", str(tmp_path / "lines.json"))
    files = json.loads((tmp_path / "lines.json").read_text())["files"]
    measured = {name: found for name, found in files.items() if not name.endswith("__init__.py")}
    paths = [path for where in ("*/rules.py", "*/rules/[a-z]*.py") for path in (ROOT / "service").glob(where)]
    wanted = {str(path.relative_to(ROOT)) for path in paths}
    assert measured.keys() == wanted
    shares = {name: found["summary"]["percent_covered"] for name, found in measured.items()}
    assert {name: share for name, share in shares.items() if share <= ENOUGH} == {}

"""What a workstation has to bear: few imports, little memory, a card of 50,000 files."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.agent.station import make_bench

HEAVY = (
    "litestar",
    "sqlalchemy",
    "boto3",
    "botocore",
    "psycopg",
    "procrastinate",
    "alembic",
    "jinja2",
    "yaml",
)

IMPORT_ALL = f"""
import importlib, pkgutil, sys, agent
for module in pkgutil.walk_packages(agent.__path__, "agent."):
    importlib.import_module(module.name)
print([name for name in {HEAVY} if name in sys.modules])
print([name for name in sys.modules if name[:8] == "service." and name[:16] != "service.contract"])
"""


def test_the_agent_imports_nothing_of_the_services_stack() -> None:
    run = subprocess.run([sys.executable, "-c", IMPORT_ALL], capture_output=True, text=True, check=True)
    assert run.stdout.split("\n")[:2] == ["[]", "[]"]


def test_what_checks_receipts_is_not_loaded_before_there_is_one() -> None:
    loaded = "import sys, agent.__main__; print('joserfc' in sys.modules)"
    run = subprocess.run([sys.executable, "-c", loaded], capture_output=True, text=True, check=True)
    assert run.stdout == "False\n"


READ_IT = """
import sys
from pathlib import Path
from agent.__main__ import main
state, card = sys.argv[1:]
sys.argv = ["sightledger-agent", "--state", state, "read", card, "--no-push", "--unit", "U-100"]
try:
    main()
except SystemExit as ended:
    assert not ended.code, ended.code
from agent.outbox.outbox import Outbox
row = Outbox.at(Path(state) / "outbox.sqlite3").returns.newest()[0]
print("read", row.files, row.state)
print(Path("/proc/self/status").read_text())
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read from /proc")
def test_a_card_of_50_000_files_is_read_in_less_than_150_mb(tmp_path: Path) -> None:
    bench = make_bench(tmp_path)
    bench.station.__exit__()
    for folder in range(50):
        below = bench.card / "DCIM" / f"{100 + folder}TWVS"
        below.mkdir(parents=True)
        for number in range(1000):
            # A thousand different contents: what is new costs an fsync, and memory is what is measured.
            (below / f"TWVS{number:04}.TXT").write_bytes(b"%d" % number)
    command = [sys.executable, "-c", READ_IT, str(bench.station.state.folder), str(bench.card)]
    run = subprocess.run(command, capture_output=True, text=True, check=True)
    assert "read 50000 copied" in run.stdout
    peak = re.search(r"VmHWM:\s+(\d+) kB", run.stdout)
    assert peak is not None
    assert int(peak[1]) < 150_000

"""Files of a workstation that are its owner's alone, made without harm to the locks of those who use them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from agent import private
from agent.outbox.database import open_database

LOCK = "import fcntl, sys; fcntl.lockf(open(sys.argv[1], 'r+b'), fcntl.LOCK_EX | fcntl.LOCK_NB)"

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="POSIX locks")


def another_process_locks(path: Path) -> bool:
    return (
        subprocess.run([sys.executable, "-c", LOCK, path], capture_output=True, check=False).returncode == 0
    )


def test_a_file_that_is_there_keeps_the_locks_of_this_process(tmp_path: Path) -> None:
    """POSIX.1-2017, fcntl: a process loses its locks on a file when it closes any descriptor of it."""
    import fcntl

    path = tmp_path / "outbox.sqlite"
    private.make_file(path)
    assert another_process_locks(path)
    with path.open("r+b") as held:
        fcntl.lockf(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        private.make_file(path)
        assert not another_process_locks(path)


def test_i6_what_one_connection_writes_after_others_came_and_went_is_seen_by_all(tmp_path: Path) -> None:
    """Outside check: the sqlite3 of another process."""
    path = tmp_path / "outbox.sqlite"
    staying = open_database(path)
    open_database(path).close()
    come_and_go = f"import sqlite3; sqlite3.connect({str(path)!r}).execute('SELECT count(*) FROM returns')"
    subprocess.run([sys.executable, "-c", come_and_go], check=False)
    staying.execute("CREATE TABLE later (n INTEGER)")
    staying.execute("INSERT INTO later VALUES (7)")
    count = f"import sqlite3; print(sqlite3.connect({str(path)!r}).execute('SELECT n FROM later').fetchone())"
    done = subprocess.run([sys.executable, "-c", count], capture_output=True, text=True, check=False)
    staying.close()
    assert done.stdout == "(7,)\n", done.stderr

"""A shell runs the fenced `sh` blocks of a document in order, as a reader pastes them.

The next block finds what one block exports, as in one terminal. A block that begins with STAYS is for a
terminal of its own.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from deploy.embedded.processes import Child

START_SECONDS = 120

STAYS = "# in a terminal of its own, which stays open\n"
BLOCK = re.compile(r"^( *)```sh\n(.*?)^\1```$", re.MULTILINE | re.DOTALL)


def blocks(document: Path, section: str | None = None) -> list[str]:
    """Returns the blocks of a document, or of its section under the heading `section`."""
    text = document.read_text(encoding="utf-8")
    if section is not None:
        level, after = re.split(rf"^(#+) {re.escape(section)}$", text, flags=re.MULTILINE)[1:]
        text = re.split(rf"^#{{1,{len(level)}}} ", after, flags=re.MULTILINE)[0]
    return [textwrap.dedent(match[2]) for match in BLOCK.finditer(text)]


class Shell:
    """A terminal in a folder; `sightledger` and `sightledger-agent` are those of this Python."""

    def __init__(self, folder: Path, environment: Mapping[str, str]) -> None:
        self.folder = folder
        tools = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
        self.environment = {**environment, "PATH": tools}
        self._open: list[Child] = []

    def __enter__(self) -> Shell:
        return self

    def __exit__(self, *_: object) -> None:
        for child in reversed(self._open):
            child.stop()

    def leave_open(self, block: str, until: Callable[[str], bool]) -> None:
        """Runs a block in a terminal of its own and returns when `until` is true of what it printed."""
        child = Child(
            ["/bin/sh", "-c", f"set -eu\n{block}"],
            log=self.folder / f"terminal-{len(self._open)}.log",
            environment=self.environment,
            folder=self.folder,
            # A shell keeps an interrupt to itself until its command has ended.
            stop_signal=signal.SIGTERM,
            patience=30,
        )
        self._open.append(child)
        deadline = time.monotonic() + START_SECONDS
        while not until(child.log.read_text()):
            assert child.runs(), f"{block}\nended:\n{child.said()}"
            assert time.monotonic() < deadline, f"{block}\ndoes not get ready:\n{child.said()}"
            time.sleep(0.1)

    def run(self, block: str) -> str:
        """Runs a block to its end and returns what it printed; raises AssertionError if a command fails."""
        kept = self.folder / "environment-of-the-shell"
        script = f"set -eu\n{block}\nenv -0 > {kept.name}\n"
        done = subprocess.run(
            ["/bin/sh", "-c", script],
            cwd=self.folder,
            env=dict(self.environment),
            capture_output=True,
            text=True,
            check=False,
            timeout=600,
        )
        printed = done.stdout + done.stderr
        assert done.returncode == 0, f"{block}\nended with {done.returncode}:\n{printed}"
        pairs = (entry.partition("=") for entry in kept.read_text().split("\0") if entry)
        self.environment = {name: value for name, _, value in pairs}
        return printed

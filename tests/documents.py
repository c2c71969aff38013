"""Commands of a document, as a reader pastes them: the fenced `sh` blocks, run in order by a shell.

What one block exports the next one finds, as in one terminal.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import textwrap
from collections.abc import Mapping
from pathlib import Path

BLOCK = re.compile(r"^( *)```sh\n(.*?)^\1```$", re.MULTILINE | re.DOTALL)


def blocks(document: Path, section: str | None = None) -> list[str]:
    """The blocks of a document, or of its section under the heading `section` (with its sub-sections)."""
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

    def run(self, block: str) -> str:
        """Run a block to its end; what it printed. Raises AssertionError where a command of it fails."""
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

"""The files of the source tree."""

from __future__ import annotations

import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[1]


def tracked() -> list[str]:
    """Returns the paths that git tracks, from the top of the tree."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    return listed.stdout.splitlines()

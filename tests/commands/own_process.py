"""`sightledger` runs in a process of its own, as a person starts it."""

from __future__ import annotations

import subprocess
import sys

from service.settings import Settings
from tests.live_service import ROOT, environment_of


def sightledger(
    settings: Settings | None, *words: str, stdin: str = "", **variables: str
) -> subprocess.CompletedProcess[str]:
    environment = (
        {"PATH": "/usr/bin:/bin", "PYTHONPATH": str(ROOT)} if settings is None else environment_of(settings)
    )
    return subprocess.run(
        [sys.executable, "-m", "service", *words],
        env={**environment, **variables},
        input=stdin,
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )

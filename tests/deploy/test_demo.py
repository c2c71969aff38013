"""The demo's own part: it starts everything, enrols, shows the counts and ends."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.engines import throwaway_folder

ROOT = Path(__file__).parents[2]
# All of the demo, with a story that ends after its first chapter.
SHORT = """
import sys
import deploy.demo
from seed.story import Story, Summary

class Short(Story):
    def play(self):
        self.open_campaigns()
        return Summary()

deploy.demo.Story = Short
sys.exit(deploy.demo.main())
"""


def test_the_demo_starts_everything_and_ends_by_itself() -> None:
    with throwaway_folder() as folder:
        command = [sys.executable, "-c", SHORT, "--once", "--folder", str(folder / "demo")]
        done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    for said in (
        "loading the invented fleet",
        "opens a campaign",
        "enrolling the agents of",
        "images stored",
    ):
        assert said in done.stdout
    assert done.stdout.endswith("demo: ok\n")

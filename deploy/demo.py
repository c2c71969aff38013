"""The demo starts everything on this machine, plays the story, and stays up or ends.

`sh deploy/demo [--once]` runs it, after it made the virtual environment.
"""

from __future__ import annotations

import argparse
import glob
import os
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Iterable
from functools import partial
from pathlib import Path

from deploy.engines import interrupted
from deploy.stack import Stack, remembered_secrets, together
from seed.cast import PEOPLE
from seed.desk import Desk
from seed.scenario import load_scenario
from seed.story import Story, Summary

FOLDER = Path(__file__).resolve().parent.parent / ".demo"


class AgentFailed(Exception):
    """An agent's command ended with an error; the text is what it printed."""


class Station:
    """A site's workstation in the demo: an agent with a state folder, and the folder where cards appear."""

    def __init__(self, folder: Path, site: str) -> None:
        self.site = site
        self.state = folder / "state"
        self.media = folder / "media"
        self.drawer = folder / "drawer"
        for path in (self.state, self.media, self.drawer):
            path.mkdir(parents=True, exist_ok=True)
        self._address = folder / "enrolled-at"

    @property
    def environment(self) -> dict[str, str]:
        return {
            "SIGHTLEDGER_AGENT_STATE": str(self.state),
            "SIGHTLEDGER_AGENT_MEDIA_ROOTS": f"{glob.escape(str(self.media))}/*",
            "SIGHTLEDGER_AGENT_WATCH_EVERY": "1",
        }

    def enrolled_at(self, url: str) -> bool:
        return self._address.exists() and self._address.read_text() == url

    def enrol(self, url: str, administrator: Desk) -> None:
        code = administrator.post("/enrolment-codes", {"site": self.site})["code"]
        self.run("enrol", url, code, "--name", f"{self.site.lower()}-bench-1")
        self._address.write_text(url)

    def run(self, *words: str, ok: tuple[int, ...] = (0,)) -> str:
        done = subprocess.run(
            [sys.executable, "-m", "agent", *words],
            env={**os.environ, **self.environment},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode not in ok:
            raise AgentFailed(f"sightledger-agent {' '.join(words)}:\n{done.stdout}{done.stderr}")
        return done.stdout


def enrol(url: str, story: Story, stations: Iterable[Station]) -> None:
    """Enrols each site's agent with a one-time code; again only if the service has another address now."""
    lacking = [station for station in stations if not station.enrolled_at(url)]
    if lacking:
        story.say(f"enrolling the agents of {', '.join(station.site for station in lacking)}")
        administrator = story.desk("admin")
        together([partial(station.enrol, url, administrator) for station in lacking])


def show(summary: Summary, seconds: float) -> None:
    rows = (
        ("units", summary.units),
        ("inspections", summary.inspections),
        ("locations complete of applicable", f"{summary.complete} of {summary.locations}"),
        ("card returns", summary.card_returns),
        ("files read", summary.files_read),
        ("images stored", summary.images),
        ("duplicates not sent", summary.not_sent),
        ("bytes stored", summary.bytes),
        ("seconds", f"{seconds:.0f}"),
    )
    for proof in summary.proofs:
        print(proof)
    print()
    for name, value in rows:
        print(f"{name:<34}{value:>16}")


def play(stack: Stack, folder: Path, started: float) -> None:
    """Starts everything, and plays the story if it has not been played to its end.

    A story that was played is not played again: whatever visitors did since then stays.
    """

    def say(line: str) -> None:
        print(f"[{time.monotonic() - started:5.1f} s] {line}", flush=True)

    stack.say = say
    told = folder / "told"
    passwords = remembered_secrets(folder / "accounts.json", [person.login for person in PEOPLE])
    if not told.exists():
        say("loading the invented fleet")
        stack.command("seed", "--accounts", str(folder / "accounts.json"))
    stack.serve()
    stations = {site.code: Station(folder / "sites" / site.code, site.code) for site in load_scenario().sites}
    with Story(stack.url, passwords, dict(stations), say) as story:
        if not told.exists():
            # An agent that enrols after this has its worklist at once.
            story.open_campaigns()
        enrol(stack.url, story, stations.values())
        for station in stations.values():
            stack.child(
                f"agent-{station.site}", [sys.executable, "-m", "agent", "run"], **station.environment
            )
        summary = story.audit() if told.exists() else story.play()
    told.touch()
    show(summary, time.monotonic() - started)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--once", action="store_true", help="play the story, print the counts and end")
    parser.add_argument("--folder", type=Path, default=FOLDER, help="where the demo keeps its data")
    options = parser.parse_args()
    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, interrupted)
    started = time.monotonic()
    try:
        with Stack(options.folder) as stack:
            play(stack, options.folder, started)
            print("demo: ok", flush=True)
            if not options.once:
                stay(stack, options.folder)
    except KeyboardInterrupt:
        print("demo: stopped; run it again to go on where it was")
        return 130
    except Exception as error:
        print(f"demo: failed: {error}", file=sys.stderr)
        return 1
    return 0


def stay(stack: Stack, folder: Path) -> None:
    passwords = remembered_secrets(folder / "accounts.json", [])
    print(f"\nopen {stack.url}/ and sign in with one of these throw-away accounts:")
    for person in PEOPLE:
        where = ", ".join(person.sites) if person.sites else "all sites"
        print(f"  {person.login:<12} {passwords[person.login]:<14} {', '.join(person.roles)} ({where})")
    print("\nto try the commands and a card of your own against it, in another terminal:")
    for line in (
        f". {shlex.quote(str(stack.note_environment()))}",
        "sightledger enrol-code SKB",
        f"sightledger-agent enrol {stack.url} CODE --name my-bench",
        "sightledger-agent prepare KG30401-E --card FOLDER --profile deep",
        "sightledger-agent read FOLDER --push",
    ):
        print(f"  {line}")
    print("\nCtrl-C stops everything.", flush=True)
    while True:
        signal.pause()


if __name__ == "__main__":
    raise SystemExit(main())

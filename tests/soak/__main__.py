"""The long soak. Plain lines, then one line of JSON; exit code 1 when anything differs from the promise."""

from __future__ import annotations

import argparse
import json
import secrets
import shutil
import sys
import tempfile
from pathlib import Path

from tests.soak.soak import Outcome, Wanted, soak


def say(text: str) -> None:
    print(text, flush=True)


def show(outcome: Outcome) -> None:
    for name, value in outcome.figures.items():
        shown = ", ".join(f"{k} {v}" for k, v in value.items()) if isinstance(value, dict) else value
        say(f"{name}: {shown}")
    for line in outcome.differences:
        say(f"DIFFERS {line}")
    say("nothing differs" if not outcome.differences else f"{len(outcome.differences)} differences")
    say(json.dumps({**outcome.figures, "differences": outcome.differences}))


def main() -> int:
    arguments = argparse.ArgumentParser(prog="sh tests/soak/run", description=__doc__)
    arguments.add_argument("--minutes", type=float, default=30)
    arguments.add_argument("--files", type=int, default=20_000)
    arguments.add_argument("--agents", type=int, default=4)
    arguments.add_argument("--seed", type=int, default=secrets.randbelow(1 << 30))
    arguments.add_argument("--pace", type=float, default=1.0, help="how many times as many faults as usual")
    arguments.add_argument("--rest", type=float, default=20, help="minutes at most until all is held")
    arguments.add_argument(
        "--folder", type=Path, help="kept; default: a fresh one, deleted when nothing differs"
    )
    given = arguments.parse_args()
    folder = given.folder or Path(tempfile.mkdtemp(prefix="sightledger-soak-"))
    folder.mkdir(parents=True, exist_ok=True)
    # Postgres runs as another user where this is run as root.
    folder.chmod(0o711)
    wanted = Wanted(given.seed, given.files, given.agents, given.minutes * 60, given.pace, given.rest * 60)
    outcome = soak(wanted, folder, say)
    show(outcome)
    if outcome.differences:
        say(f"what is left lies in {folder}")
        return 1
    if given.folder is None:
        shutil.rmtree(folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())

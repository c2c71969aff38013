"""Runs the named benches, or all of them, each in a fresh folder that is deleted afterwards."""

from __future__ import annotations

import importlib
import sys
import tempfile
from pathlib import Path

NAMES = ("push", "link", "smalllink", "reread", "bigcard", "completion", "history", "slates")


def main(names: list[str]) -> int:
    unknown = sorted(set(names) - set(NAMES))
    if unknown:
        print(f"There is no bench {', '.join(unknown)}; there are {', '.join(NAMES)}.", file=sys.stderr)
        return 2
    for name in names or NAMES:
        with tempfile.TemporaryDirectory(prefix="sightledger-bench-") as folder:
            module = importlib.import_module(f"tests.bench.{name}")
            print(module.run(Path(folder)), flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))

"""Runs the named benches, or all of them, each in a fresh folder that is deleted afterwards.

`--small` does the least of each, on engines that they share, in seconds: whether a bench still runs. What it
measures means nothing.
"""

from __future__ import annotations

import importlib
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.bench import plain
from tests.bench.figures import Figure
from tests.bench.ground import Ground

# Each is a module of this name with `run(folder)`, `small(ground)` and TOOLS, what it compares with.
NAMES = (
    "push",
    "link",
    "smalllink",
    "reread",
    "bigcard",
    "completion",
    "history",
    "slates",
)
UNKNOWN, TOOL_MISSING = 2, 3


def main(words: Sequence[str]) -> int:
    names = [word for word in words if word != "--small"] or list(NAMES)
    unknown = sorted(set(names) - set(NAMES))
    if unknown:
        print(f"There is no bench {', '.join(unknown)}; there are {', '.join(NAMES)}.", file=sys.stderr)
        return UNKNOWN
    if "--small" in words:
        with (
            tempfile.TemporaryDirectory(prefix="sightledger-bench-") as folder,
            Ground(Path(folder)) as ground,
        ):
            return small(names, ground)
    return full(names)


def small(names: Sequence[str], ground: Ground, show: Callable[[Figure], None] = print) -> int:
    """Without a plain tool the rest of a bench runs all the same, and its line says what was left out."""
    for name in names:
        show(module(name).small(ground))
    return 0


def full(names: Sequence[str]) -> int:
    """Benches that lack a plain tool are left out and named, and the exit code is their own."""
    lacking = {name: tools for name in names if (tools := plain.missing(module(name).TOOLS))}
    if lacking:
        wanted = sorted({tool for tools in lacking.values() for tool in tools})
        print(
            f"{', '.join(wanted)} is not installed, so these cannot be measured: {', '.join(lacking)}. "
            f"Install it (Debian: apt-get install {' '.join(wanted)}) and run them again.",
            file=sys.stderr,
        )
    for name in names:
        if name not in lacking:
            with tempfile.TemporaryDirectory(prefix="sightledger-bench-") as folder:
                print(module(name).run(Path(folder)), flush=True)
    return TOOL_MISSING if lacking else 0


def module(name: str) -> object:
    return importlib.import_module(f"tests.bench.{name}")


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))

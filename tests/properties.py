"""This module holds what is promised of card intake, by number, and finds the tests that prove it.

A test named `test_p07_...` (or `test_p14_p15_...`) proves the properties of these numbers.
`python -m tests.properties` writes tests/PROMISES.md; tests/test_properties.py holds the two together.
"""

from __future__ import annotations

import ast
import re
import textwrap
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).parents[1]
PROMISES = ROOT / "tests" / "PROMISES.md"
HEAD = """# What is promised of card intake

The tests that prove a promise follow it. `python -m tests.properties` makes this file from their names.
"""

PROPERTIES = {
    1: "Killed at any point from read to receipt, agent or service loses nothing: after the restart one "
    "object, one row, one receipt",
    2: "A file is called copied only after the file and its folder are synced; a sync error is no "
    "acknowledgement",
    3: "No row is visible before its object is verified in the store",
    4: "Postgres killed or failed over between PUT and commit: the replay is idempotent; the sweep of "
    "orphans takes no referenced and no young object",
    5: "The agent's database lost or damaged is rebuilt from spool, card and service, without duplicates",
    6: "A card pulled in mid read is an incomplete return that names what is missing and deletes nothing; "
    "put back, it finishes",
    7: "One unreadable file: the rest goes in, the file is named, the exit code is its own",
    8: "A file that ends before its listed size is tried again and marked",
    9: "A file that changes while it is read is read again",
    10: "Same name, size and time, other bytes: both are kept",
    11: "The 2 s times of FAT are never identity",
    12: "A shift of zone or summer time by 1 h to 14 h sends no byte again; the local time is kept raw, zone "
    "unknown",
    13: "Renumbered inodes have no effect",
    14: "Names that differ only in case stay two names",
    15: "NFC and NFD, invalid UTF-8 and reserved characters: the exact name bytes come back",
    16: "A counter that starts again (same name, new picture): both are kept",
    17: "Empty, truncated and very large files are kept as bytes, marked, never altered; large ones go by "
    "parts, resume by part, and count only when read back whole",
    18: "The same card again sends no byte, only new sightings",
    19: "The same card at two sites at once: one object, two sightings",
    20: "A store that answers 503 for long loses nothing and needs nobody",
    21: "A silent hang is cut within 60 s",
    22: "After a dropped or half-open link the work goes on at once",
    23: "The last answer lost: asking again gives the same receipt",
    24: "Clock jump and sleep in mid upload: it resumes within 30 s",
    25: "Proxy variables, bandwidth limit, quiet hours, progress with a truthful time left",
    26: "Clocks of agent or server 2 h back or a year ahead: no wrong order, expiry or deletion; offsets are "
    "shown",
    27: "One flipped bit in spool, wire or store is found",
    28: "Overwriting is refused; originals are locked by the site's policy, renewed, and a locked one cannot "
    "be deleted",
    29: "A full spool disk pauses the reading, acknowledges nothing, and it goes on by itself",
    30: "50,000 files on a card and 1,000,000 spooled rows: bounded memory, no quadratic step",
}


def proofs() -> dict[int, list[str]]:
    """Returns for each property number its tests as `file::test`, in the order of the files."""
    found: dict[int, list[str]] = defaultdict(list)
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                continue
            named = re.match(r"test((?:_p\d\d)+)_", node.name)
            for number in re.findall(r"\d\d", named[1]) if named else ():
                found[int(number)].append(f"{path.relative_to(ROOT).as_posix()}::{node.name}")
    return found


def written() -> str:
    """What tests/PROMISES.md has to say, as Markdown."""
    by_number = proofs()
    parts = [HEAD]
    for number, promise in PROPERTIES.items():
        parts.append(f"\n## {number}\n\n{textwrap.fill(f'{promise}.', 110)}\n\n")
        parts += [f"- `{test.removeprefix('tests/')}`\n" for test in by_number[number]]
    return "".join(parts)


if __name__ == "__main__":
    PROMISES.write_text(written(), "utf-8")

"""Which insertion of a medium is in a slot now.

What a listing says of a card is never proof that the card was read: another card may have the same names,
sizes and times (I1). So a card is read each time it is put in. Only while one insertion lasts, and its
listing stays as it is, a card that was read need not be read again.
"""

from __future__ import annotations

import hashlib
import os
import sys
import uuid
from contextlib import suppress
from functools import cache
from pathlib import Path

from agent.cards.walking import Survey


def insertion(root: Path) -> str:
    """What stays the same while a medium stays in, and changes when another, or the same, is put in.

    Linux numbers each insertion of a medium (`diskseq`, kernel 5.15 and newer). Elsewhere the volume's number
    and the folder's own facts must do, and that `run` sees the slot empty in between. Raises OSError.
    """
    facts = root.stat()
    parts = [_boot(), facts.st_dev, facts.st_ino, _mount(root), _sequence(facts.st_dev)]
    return "/".join(map(str, parts))


def reading_key(root: Path, found: Survey) -> str:
    """Names what was read: this insertion, with this listing. Raises OSError when the medium is gone."""
    changed = root.stat().st_ctime_ns
    return hashlib.sha256(f"{insertion(root)} {changed} {found.fingerprint}".encode()).hexdigest()


@cache
def _boot() -> str:
    """The start of this computer; where the system does not number its starts, that of this process."""
    with suppress(OSError):
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    return uuid.uuid4().hex


def _mount(root: Path) -> str:
    """The number of the mount that `root` is the top of; empty for a plain folder and outside Linux."""
    if sys.platform != "linux" or not os.path.ismount(root):
        return ""
    wanted = os.fsencode(os.path.realpath(root))
    for line in reversed(Path("/proc/self/mountinfo").read_bytes().splitlines()):
        parts = line.split()
        # proc(5): spaces and the like in a path stand as octal numbers.
        if parts[4].decode("unicode_escape").encode("latin-1") == wanted:
            return parts[0].decode("ascii")
    return ""


def _sequence(device: int) -> str:
    """The kernel's number of the medium in a drive; empty where there is none."""
    if sys.platform != "linux":
        return ""
    of_device = Path(f"/sys/dev/block/{os.major(device)}:{os.minor(device)}")
    for place in (of_device, of_device.resolve().parent):
        with suppress(OSError):
            return (place / "diskseq").read_text("ascii").strip()
    return ""

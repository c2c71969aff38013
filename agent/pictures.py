"""What the agent knows of bytes, and which marks the file deserves that has them.

Nothing here changes or drops a file: bytes that cannot be understood are marked and kept.
"""

from __future__ import annotations

from typing import BinaryIO

from agent.slates.code import Codes
from service.contract import pictures
from service.contract.cards import FileKind, Mark


class Facts(pictures.Judged):
    """What the bytes are, under whatever name they come, and their slates (None: nobody looked)."""

    codes: Codes | None = None


def judge(size: int, file: BinaryIO) -> Facts:
    """Facts of `size` bytes, read through `file` (seekable)."""
    judged = pictures.judge(size, file)
    return Facts(judged.marks, judged.picture)


def marks_of(kind: FileKind, facts: Facts) -> list[Mark]:
    """The marks of a file: those of its bytes, and that a file called a still is no picture."""
    if kind == "still" and facts.picture is None and not facts.marks:
        return ["not_an_image"]
    return [*facts.marks]

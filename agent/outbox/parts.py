"""The parts in which the manifest of a card return goes; always the same ones, with the same bytes (I8)."""

from __future__ import annotations

from uuid import UUID

from agent.outbox.files import CardFiles
from agent.outbox.returns import CardReturns


class ManifestParts:
    """Parts are numbered from 1. Nothing is kept of them: a return and its files, once read, stay."""

    def __init__(self, returns: CardReturns, files: CardFiles) -> None:
        self._returns, self._files = returns, files

    def count(self, return_id: UUID) -> int:
        return len(self._ends(return_id))

    def body(self, return_id: UUID, part: int) -> bytes:
        """What is sent of a part. The first brings the opening."""
        files = b",".join(self._files.wires(return_id, *self._ordinals(return_id, part)))
        opening = b""
        if part == 1:
            opening = b'"opening":' + self._returns.get(return_id).opening_wire + b","
        return b"{" + opening + b'"files":[' + files + b"]}"

    def totals(self, return_id: UUID, part: int) -> tuple[int, int]:
        """Files and bytes that a part names."""
        return self._files.totals(return_id, *self._ordinals(return_id, part))

    def _ordinals(self, return_id: UUID, part: int) -> tuple[int, int]:
        """The last ordinal before a part, and its own last one."""
        ends = [0, *self._ends(return_id)]
        return ends[part - 1], ends[part]

    def _ends(self, return_id: UUID) -> list[int]:
        """The last ordinal of each part."""
        card_return = self._returns.get(return_id)
        return card_return.cut.ends(card_return.files)

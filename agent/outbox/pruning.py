"""Removes spooled copies that a receipt lists; no other copy is ever removed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import timedelta
from itertools import islice

from agent.clock import now
from agent.outbox.originals import Originals
from agent.outbox.outbox import Outbox
from agent.outbox.spool import Spool
from agent.settings import Settings

AT_ONCE = 100


def prune(outbox: Outbox, spool: Spool, settings: Settings) -> int:
    """Remove copies held for longer than `keep_days`, and more while the disk is short; how many.

    That time must have passed by the service's clock and by this workstation's: one of them that lies, or
    jumps ahead, removes nothing early.
    """
    heard, removed, kept = outbox.cache.heard(), 0, timedelta(days=settings.keep_days)
    originals = outbox.originals
    if heard is not None:
        removed += _remove(originals, spool, originals.prunable(heard - kept, now() - kept))
    return removed + make_room(originals, spool, settings.spool_free)


def make_room(originals: Originals, spool: Spool, wanted: int) -> int:
    """Remove copies that a receipt lists, longest held first, then those of cards still being read that the
    store was seen to have, until `wanted` bytes are free; how many."""

    def enough() -> bool:
        return spool.free() >= wanted

    removed = 0
    for digests in (originals.prunable(None), originals.spooled_ahead()):
        if not enough():
            removed += _remove(originals, spool, digests, enough)
    return removed


def _remove(
    originals: Originals, spool: Spool, digests: Iterable[str], enough: Callable[[], bool] = lambda: False
) -> int:
    removed = 0
    for batch in _batches(digests):
        # Rows first: a copy without a row is only space, a row without a copy would be believed.
        originals.note_pruned(batch)
        for digest in batch:
            spool.remove(digest)
        removed += len(batch)
        if enough():
            break
    return removed


def _batches(digests: Iterable[str]) -> Iterator[list[str]]:
    rest = iter(digests)
    while batch := list(islice(rest, AT_ONCE)):
        yield batch

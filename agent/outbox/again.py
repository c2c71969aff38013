"""Card returns that travel once more: the service lost them, or will not have them under their id."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from uuid import UUID

import msgspec

from agent.outbox.journal import Closed, Confirmed, Ending, NotRead, Opened, Record, Stated, Took
from agent.outbox.outbox import Outbox
from service.contract.wire import new_id


def offer_again(outbox: Outbox, ids: Iterable[UUID]) -> None:
    """Take back that these are held: their bytes are held only where another card return says so."""
    for return_id in ids:
        with outbox.transaction():
            outbox.returns.take_back(return_id)
            outbox.originals.take_back(return_id)
            outbox.sending.forget(return_id)
            for record in _records(outbox, return_id):
                outbox.database.note(return_id, record)


def reissue(outbox: Outbox, return_id: UUID) -> UUID:
    """Give a return a new id: under the old one the service knows other content, or another agent's."""
    made = new_id()
    with outbox.transaction():
        for record in _records(outbox, return_id):
            outbox.database.note(made, record)
        outbox.sending.forget(return_id)
        outbox.files.rename(return_id, made)
        outbox.unread.rename(return_id, made)
        outbox.statements.rename(return_id, made)
        outbox.insertions.rename(return_id, made)
        outbox.returns.rename(return_id, made)
    if outbox.journals is not None:
        outbox.journals.remove(return_id)
    return made


def _records(outbox: Outbox, return_id: UUID) -> Iterator[Record]:
    """The journal of a return, from its rows."""
    kept = outbox.returns.get(return_id)
    yield Opened(wire=msgspec.Raw(kept.opening_wire), unit=kept.unit, source=kept.source, cut=kept.cut)
    for file in outbox.files.of(return_id):
        yield Took(file.ordinal, msgspec.Raw(file.wire))
    unread = outbox.unread.of(return_id)
    for ordinal, missing in enumerate(unread, 1):
        yield NotRead(ordinal, missing.path, missing.why)
    for wire in outbox.statements.wires(return_id):
        yield Stated(msgspec.Raw(wire))
    assert kept.finished_at is not None
    yield Closed(
        files=kept.files,
        unread=len(unread),
        ending=Ending(
            complete=bool(kept.complete),
            extent=kept.extent,
            extent_note=kept.extent_note,
            confirmed_by=kept.confirmed_by if kept.extent == "confirmed" else None,
            aside=kept.aside,
        ),
        finished_at=kept.finished_at,
    )
    if kept.confirmed_by is not None and kept.extent != "confirmed":
        yield Confirmed(kept.confirmed_by)

"""SQL of card returns that travel once more: the service lost them, or will not have them under their id."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from uuid import UUID

import msgspec

from agent.outbox.journal import Closed, Confirmed, Ending, NotRead, Opened, Record, Said, Took
from agent.outbox.returns import Returns
from agent.outbox.sending import Cut
from service.contract.wire import new_id

LOST = "the service knows nothing of this card return any more; it is offered again"
AT_ONCE = 1000


def held_returns(returns: Returns, after: UUID | None = None) -> list[tuple[UUID, str]]:
    """The next card returns for which there is a receipt here, by id: their ids and manifest digests."""
    rows = returns.connection.execute(
        "SELECT id, manifest_sha256 FROM returns WHERE state='held' AND id>? ORDER BY id LIMIT ?",
        (str(after) if after else "", AT_ONCE),
    )
    return [(UUID(row["id"]), row["manifest_sha256"]) for row in rows]


def offer_again(returns: Returns, ids: Iterable[UUID]) -> None:
    """Take back that these are held: their bytes are held only where another card return says so.

    Of bytes that no longer lie here the store was seen to have them once; whether it still has, the push
    finds. The receipts are kept: they prove what the service has said.
    """
    for return_id in ids:
        key = (str(return_id),)
        with returns.transaction():
            returns.connection.execute(
                "UPDATE returns SET state='copied', tries=0, next_try=0, trouble=?"
                " WHERE id=? AND state='held'",
                (LOST, *key),
            )
            returns.connection.execute(
                "UPDATE originals SET held_at=NULL, held_noted=NULL,"
                " ahead_at=CASE WHEN spooled_at IS NULL THEN held_at END WHERE sha256 IN"
                " (SELECT sha256 FROM files WHERE return_id=?) AND NOT EXISTS (SELECT 1 FROM files f"
                " JOIN returns r ON r.id=f.return_id WHERE f.sha256=originals.sha256 AND r.state='held')",
                key,
            )
            returns.forget_sending(return_id)
            for record in _records(returns, return_id):
                returns.note(return_id, record)


def offer_preparations_again(returns: Returns) -> None:
    """Every card that was prepared here is told once more; those that are known there stay as they are."""
    returns.connection.execute("UPDATE preparations SET sent_at=NULL WHERE trouble IS NULL")


def reissue(returns: Returns, return_id: UUID) -> UUID:
    """Give a return a new id: under the old one the service knows other content, or another agent's."""
    made = new_id()
    with returns.transaction():
        for record in _records(returns, return_id):
            returns.note(made, record)
        returns.forget_sending(return_id)
        for table in ("files", "unread", "statements"):
            returns.connection.execute(
                f"UPDATE {table} SET return_id=? WHERE return_id=?",  # noqa: S608
                (str(made), str(return_id)),
            )
        returns.connection.execute(
            "UPDATE returns SET id=?, tries=0, next_try=0, trouble=NULL WHERE id=?",
            (str(made), str(return_id)),
        )
        returns.connection.execute(
            "UPDATE readings SET return_id=? WHERE return_id=?", (str(made), str(return_id))
        )
    if returns.journals is not None:
        returns.journals.remove(return_id)
    return made


def _records(returns: Returns, return_id: UUID) -> Iterator[Record]:
    """The journal of a return, from its rows."""
    kept = returns.get(return_id)
    yield Opened(
        wire=msgspec.Raw(kept.opening_wire),
        unit=kept.unit,
        source=kept.source,
        cut=Cut(kept.part_files, kept.short_part),
    )
    for file in returns.files(return_id):
        yield Took(file["ordinal"], msgspec.Raw(file["wire"]))
    unread = returns.unread(return_id)
    for ordinal, missing in enumerate(unread, 1):
        yield NotRead(ordinal, missing.path, missing.why)
    for statement in returns.connection.execute(
        "SELECT wire FROM statements WHERE return_id=? ORDER BY id", (str(return_id),)
    ):
        yield Said(msgspec.Raw(statement["wire"]))
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

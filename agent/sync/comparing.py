"""Holds what this workstation has receipts for against what the service knows.

A database put back to an older state has lost card returns that agents call held. The service cannot miss
what it does not know of; the agents can. What is lost is offered again, from the spool or from the store,
where its bytes still lie; what is in neither place asks for the card.
"""

from __future__ import annotations

from typing import Protocol
from uuid import UUID

from agent.outbox.again import offer_again
from agent.outbox.outbox import Outbox


class AsksKnown(Protocol):
    def known_returns(self, returns: list[tuple[UUID, str]]) -> set[UUID]: ...


def compare(outbox: Outbox, service: AsksKnown) -> list[UUID]:
    """Ask for every return that is held here; those that the service no longer knows, now offered again.

    Raises what the service raises; what was answered until then is done.
    """
    lost: list[UUID] = []
    last: UUID | None = None
    while batch := outbox.returns.with_receipt(last):
        known = service.known_returns(batch)
        missing = [return_id for return_id, _ in batch if return_id not in known]
        offer_again(outbox, missing)
        lost += missing
        last = batch[-1][0]
    if lost:
        outbox.preparations.offer_again()
    return lost

"""Sends what was stated at this workstation without a card."""

from __future__ import annotations

from agent.client.service import Service
from agent.errors import Refused
from agent.outbox.returns import Returns


def push_spoken(returns: Returns, service: Service) -> bool:
    """Tell the service each statement in the order in which they were made; False when there was none.

    One that it refuses is kept with the reason until a person deals with it, and holds up no other. Raises
    LinkDown.
    """
    statements = returns.unsent_spoken()
    for statement in statements:
        try:
            service.state(statement)
        except Refused as refused:
            why = f"{refused.detail} {refused.next_step}" if refused.next_step else refused.detail
            returns.note_spoken_refused(statement.id, why)
        else:
            returns.note_spoken_sent(statement.id)
    return bool(statements)

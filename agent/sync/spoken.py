"""Sends what was stated at this workstation without a card."""

from __future__ import annotations

from agent.client.service import Service
from agent.errors import Refused
from agent.outbox.spoken import SpokenStatements
from agent.sync.refused import reason


def push_spoken(spoken: SpokenStatements, service: Service) -> bool:
    """Tell the service each statement in the order in which they were made; False when there was none.

    One that it refuses is kept with the reason until a person deals with it, and holds up no other. Raises
    LinkDown.
    """
    statements = spoken.unsent()
    for statement in statements:
        try:
            service.state(statement)
        except Refused as refused:
            spoken.note_refused(statement.id, reason(refused.detail, refused.next_step))
        else:
            spoken.note_done(statement.id)
    return bool(statements)

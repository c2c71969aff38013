"""What the service refused: asked after until a person has dealt with it, and named until then."""

from __future__ import annotations

from uuid import UUID

from agent.client.service import Service
from agent.errors import Refused
from agent.outbox.outbox import Outbox
from agent.outbox.statements import CardStatements


def learn_refused(statements: CardStatements, service: Service, return_id: UUID) -> None:
    """Note which statements of a committed return the service keeps as refused and open."""
    refused = service.read_return(return_id).refused
    why = {
        refusal.statement.id: reason(refusal.why, refusal.next_step)
        for refusal in refused
        if refusal.settled is None
    }
    statements.note_refused(return_id, why)


def ask_refused(statements: CardStatements, service: Service) -> None:
    """Ask after those that were open; what a person has dealt with is open no longer."""
    for return_id in {refusal.return_id for refusal in statements.refused()}:
        try:
            learn_refused(statements, service, return_id)
        except Refused:
            # A service that does not know the return says nothing of its statements: they stay open here.
            continue


def refused_lines(outbox: Outbox) -> list[str]:
    """Each statement and preparation that is refused and open, as a person reads it."""
    of_cards = [refusal.text() for refusal in outbox.statements.refused()]
    spoken = [refusal.text() for refusal in outbox.spoken.refused()]
    return of_cards + spoken + [refusal.text() for refusal in outbox.preparations.refused()]


def reason(why: str, next_step: str | None) -> str:
    """Why something was refused, with what to do about it where that is known."""
    return f"{why} {next_step}" if next_step else why

"""What the service refused: asked after until a person has dealt with it, and named until then."""

from __future__ import annotations

from uuid import UUID

from agent.client.service import Service
from agent.errors import Refused
from agent.outbox.refused import not_taken
from agent.outbox.returns import Returns
from service.contract.work import StatementIn


def learn_refused(returns: Returns, service: Service, return_id: UUID) -> None:
    """Note which statements of a committed return the service keeps as refused and open."""
    refused = service.read_return(return_id).refused
    why = {one.statement.id: reason(one.why, one.next_step) for one in refused if one.settled is None}
    returns.note_refused(return_id, why)


def ask_refused(returns: Returns, service: Service) -> None:
    """Ask after those that were open; what a person has dealt with is open no longer."""
    for return_id in {one.return_id for one in returns.refused_statements()}:
        try:
            learn_refused(returns, service, return_id)
        except Refused:
            # A service that does not know the return says nothing of its statements: they stay open here.
            continue


def refused_lines(returns: Returns) -> list[str]:
    """Each statement and preparation that is refused and open, as a person reads it."""
    statements = [refusal.text() for refusal in returns.refused_statements()]
    spoken = [_spoken_text(statement, why) for statement, why in returns.refused_spoken()]
    return statements + spoken + [refusal.text() for refusal in returns.refused_preparations()]


def _spoken_text(statement: StatementIn, why: str) -> str:
    return (
        f"{not_taken(statement, why)} "
        f"State it anew, and put this one aside: sightledger-agent state --aside {statement.id}"
    )


def reason(why: str, next_step: str | None) -> str:
    """Why something was refused, with what to do about it where that is known."""
    return f"{why} {next_step}" if next_step else why

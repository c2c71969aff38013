"""What a workstation holds and how it stands to its service."""

from __future__ import annotations

from typing import Any

from agent.errors import AgentError
from agent.sync.progress import read_note
from agent.wording import standing_of
from agent.workstation import Workstation


def status_facts(station: Workstation) -> dict[str, Any]:
    """What `status` shows, and writes as JSON."""
    worklist, offset = station.cache.document("worklist"), station.cache.clock_offset()
    return {
        "agent": station.enrolment.name,
        "site": station.enrolment.site,
        "service": station.enrolment.url,
        "link": _link(station),
        "clockOffset": "not known" if offset is None else f"service is {offset:+.1f} s from this workstation",
        "worklist": f"pulled {worklist.fetched_at:%Y-%m-%d %H:%M} UTC" if worklist else "never pulled",
        "heldRevisions": [label for _, label in station.cache.held_revisions()],
        "cardReturns": [
            {
                "id": row["id"],
                "unit": row["unit"],
                "started": row["started_at"],
                "files": row["files"],
                "bytes": row["bytes"],
                "state": row["state"],
                "complete": None if row["complete"] is None else bool(row["complete"]),
                "unread": row["unread_files"],
                "standing": standing_of(row),
            }
            for row in station.returns.newest()
        ],
    }


def queue_facts(station: Workstation) -> dict[str, Any]:
    """What `queue` writes as JSON; `pushing` is how far the push in hand is, None when there is none."""
    members = ("id", "unit", "files", "bytes", "started_at", "tries", "next_try", "trouble")
    return {
        "cardReturns": [{name: row[name] for name in members} for row in station.returns.in_state("copied")],
        "preparations": len(station.returns.unsent_preparations()),
        "pushing": read_note(station.state.pushing),
    }


def _link(station: Workstation) -> str:
    try:
        with station.service() as service:
            service.pull("/callers/me")
    except AgentError as error:
        return f"down: {error.detail}"
    return "up"

"""What a workstation holds and how it stands to its service: as facts for programs, as lines for people."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import msgspec

from agent.cards.marker import read_marker
from agent.cards.media import media_present
from agent.cards.slots import reading_key
from agent.cards.walking import survey
from agent.clock import now
from agent.errors import AgentError
from agent.outbox.card_return import CardReturn
from agent.sync.progress import duration_text, read_note
from agent.sync.refused import refused_lines
from agent.wording import custody_words
from agent.workstation import Workstation
from service.contract.showing import size_words

# A worklist older than this may no longer say what the site owes.
OLD_AFTER_S = 86400.0
CLOCK_IS_OFF_S = 60.0


def status_facts(station: Workstation) -> dict[str, Any]:
    """What `status` shows, and writes as JSON."""
    worklist, offset = station.cache.document("worklist"), station.cache.clock_offset()
    return {
        "agent": station.enrolment.name,
        "site": station.enrolment.site,
        "siteName": station.enrolment.site_name,
        "service": station.enrolment.url,
        "link": _link(station),
        "clockOffset": offset,
        "worklistPulledAt": worklist.fetched_at.isoformat() if worklist else None,
        "heldRevisions": [label for _, label in station.cache.held_revisions()],
        "slots": [_slot(station, root) for root in media_present(station.settings)],
        "cardReturns": [return_facts(card_return) for card_return in station.outbox.returns.newest()],
        "refused": refused_lines(station.outbox),
        "statementsWaiting": len(station.outbox.spoken.unsent()),
    }


def return_facts(card_return: CardReturn) -> dict[str, Any]:
    """A card return, from `CardReturns.shown`."""
    opening, finished_at = card_return.opening, card_return.finished_at
    return {
        "id": str(card_return.id),
        "unit": card_return.unit,
        "card": str(opening.card_id) if opening.card_id else None,
        "volume": opening.volume.label if opening.volume else None,
        "scope": opening.scope,
        "person": opening.person,
        "source": card_return.source,
        "started": card_return.started_at.isoformat(),
        "finished": finished_at.isoformat() if finished_at else None,
        "files": card_return.files,
        "bytes": card_return.size,
        "state": card_return.state,
        "complete": card_return.complete,
        "extent": card_return.extent,
        "confirmedBy": card_return.confirmed_by,
        "unread": card_return.unread_files,
        "lacking": card_return.lacking,
        "trouble": card_return.trouble,
        "custody": custody_words(card_return),
    }


def _slot(station: Workstation, root: Path) -> dict[str, Any]:
    """A medium that is in now, and whether it was read since it was put in: only that says what it holds."""
    marker, return_id = None, None
    with suppress(OSError):
        marker = read_marker(root)
        return_id = station.outbox.insertions.return_of(reading_key(root, survey(root)))
    return {
        "at": str(root),
        "unit": marker.unit if marker else None,
        "card": str(marker.card_id) if marker else None,
        "cardReturn": str(return_id) if return_id else None,
        "custody": custody_words(station.outbox.returns.shown(return_id)) if return_id else NOT_READ,
    }


NOT_READ = "not read to its end since it was put in - what is on it is not known; do not wipe it"


def status_lines(facts: dict[str, Any]) -> Iterator[str]:
    """The same for a person to read."""
    yield f"workstation {facts['agent']} at {facts['site']} ({facts['siteName']})"
    yield f"service {facts['service']}: {facts['link']}"
    offset = facts["clockOffset"]
    if offset is not None and abs(offset) >= CLOCK_IS_OFF_S:
        way = "behind" if offset > 0 else "ahead of"
        by = duration_text(abs(offset))
        yield f"the clock of this workstation is {by} {way} the service's: have it set"
    yield _worklist_line(facts)
    yield "plan revisions held: " + (", ".join(facts["heldRevisions"]) or "none")
    for slot in facts["slots"]:
        what = f"card {slot['card'][-8:]} for {slot['unit']}" if slot["card"] else "no marker of ours"
        yield f"in now at {slot['at']}: {what}: {slot['custody']}"
    if facts["statementsWaiting"]:
        yield f"{facts['statementsWaiting']} statements wait for the link"
    yield from facts["refused"]
    if not facts["cardReturns"]:
        yield "no card was read here yet"
    for card_return in facts["cardReturns"]:
        yield from return_lines(card_return)


def _worklist_line(facts: dict[str, Any]) -> str:
    pulled = facts["worklistPulledAt"]
    if pulled is None:
        return "worklist: never pulled; connect once and run: sightledger-agent run --once"
    age = (now() - msgspec.convert(pulled, type=type(now()), strict=False)).total_seconds()
    old = f", {duration_text(age)} ago: it may be out of date" if age > OLD_AFTER_S else ""
    return f"worklist: pulled {pulled[:16].replace('T', ' ')} UTC{old}"


def return_lines(card_return: dict[str, Any]) -> Iterator[str]:
    """One card return: which card it was, what stands, and what is in its way."""
    names = [
        f"unit {card_return['unit']}" if card_return["unit"] else "no unit picked",
        f"card {card_return['card'][-8:]}" if card_return["card"] else "card without marker",
        f"scope {card_return['scope']}" if card_return["scope"] else None,
        card_return["person"],
        f"volume {card_return['volume']}" if card_return["volume"] else None,
        f"{card_return['files']} files, {size_words(card_return['bytes'])}",
    ]
    at = card_return["started"][:16].replace("T", " ")
    yield f"{at} UTC, {', '.join(name for name in names if name)}: {card_return['custody']}"
    if card_return["state"] == "copied" and card_return["trouble"]:
        yield f"  not held yet: {card_return['trouble']}"


def queue_facts(station: Workstation) -> dict[str, Any]:
    """What `queue` writes as JSON; `pushing` is how far the push in hand is, None when there is none."""
    return {
        "cardReturns": [
            {
                "id": str(waiting.id),
                "unit": waiting.unit,
                "files": waiting.files,
                "bytes": waiting.size,
                "started": waiting.started_at.isoformat(),
                "tries": waiting.tries,
                "nextTry": waiting.next_try,
                "trouble": waiting.trouble,
            }
            for waiting in station.outbox.returns.in_state("copied")
        ],
        "preparations": len(station.outbox.preparations.unsent()),
        "pushing": read_note(station.state.pushing),
    }


def _link(station: Workstation) -> str:
    try:
        with station.service() as service:
            service.pull("/callers/me")
    except AgentError as error:
        return " ".join(part for part in ("down:", error.detail, error.next_step) if part)
    return "up"

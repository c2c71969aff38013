"""The plain statements about a card, in the same words everywhere (I6)."""

from __future__ import annotations

from agent.outbox.card_return import CardReturn


def custody_words(read: CardReturn) -> str:
    """What a person needs to know of a card, from `CardReturns.shown`: may it be removed, may it be wiped."""
    if read.state == "reading":
        return "still reading - leave the card in"
    if read.state == "copied":
        return _copied(read)
    assert read.finished_at is not None
    read_at = f"{read.finished_at:%Y-%m-%d %H:%M} UTC"
    if not read.complete:
        return (
            f"held centrally what could be read - receipt {read.id}; not all of the card could be read: "
            "do not wipe it; read it again"
        )
    if not read.is_whole:
        return (
            f"held centrally - receipt {read.id} lists every file that was read at {read_at}; but "
            f"{extent_text(read)}: do not wipe it"
        )
    return (
        f"held centrally - receipt {read.id} lists every file as it was read at {read_at}; if nothing was "
        "added since, the card may be wiped by a person"
    )


def _copied(read: CardReturn) -> str:
    if read.lacking:
        return (
            f"{read.lacking} files are no longer here as they were read - do not wipe the card; "
            "put it in and read it again"
        )
    if not read.complete:
        return "copied here, but not all of the card could be read - do not wipe it; read it again"
    return "copied here - the card may be removed, not yet wiped"


def extent_text(read: CardReturn) -> str:
    """Why what was read is not known to be a whole card, and who can change that."""
    if read.extent == "part":
        return f"it is not a whole card: {read.extent_note}"
    return (
        f"{read.extent_note or 'the reading was broken off'}, and nobody has confirmed that this was a "
        f"whole card (sightledger-agent confirm {read.id} --person NAME)"
    )

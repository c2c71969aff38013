"""The plain statements about a card, in the same words everywhere (I6)."""

from __future__ import annotations

import sqlite3


def standing_of(row: sqlite3.Row) -> str:
    """What a person needs to know of a card, from `Returns.shown`: may it be removed, may it be wiped."""
    if row["state"] == "reading":
        return "still reading - leave the card in"
    if row["state"] == "copied":
        return _copied(row)
    read_at = f"{row['finished_at'][:16].replace('T', ' ')} UTC"
    if not row["complete"]:
        return (
            f"held centrally what could be read - receipt {row['id']}; not all of the card could be read: "
            "do not wipe it; read it again"
        )
    if not is_whole(row):
        return (
            f"held centrally - receipt {row['id']} lists every file that was read at {read_at}; but "
            f"{extent_text(row)}: do not wipe it"
        )
    return (
        f"held centrally - receipt {row['id']} lists every file as it was read at {read_at}; if nothing was "
        "added since, the card may be wiped by a person"
    )


def _copied(row: sqlite3.Row) -> str:
    if row["lacking"]:
        return (
            f"{row['lacking']} files are no longer here as they were read - do not wipe the card; "
            "put it in and read it again"
        )
    if not row["complete"]:
        return "copied here, but not all of the card could be read - do not wipe it; read it again"
    return "copied here - the card may be removed, not yet wiped"


def is_whole(row: sqlite3.Row) -> bool:
    """Whether what was read is known to be a whole card."""
    if row["extent"] == "part":
        return False
    return row["extent"] in ("as_prepared", "confirmed") or row["confirmed_by"] is not None


def extent_text(row: sqlite3.Row) -> str:
    """Why what was read is not known to be a whole card, and who can change that."""
    if row["extent"] == "part":
        return f"it is not a whole card: {row['extent_note']}"
    return (
        f"{row['extent_note'] or 'the reading was broken off'}, and nobody has confirmed that this was a "
        f"whole card (sightledger-agent confirm {row['id']} --person NAME)"
    )


def size_text(size: float) -> str:
    for unit in ("B", "kB", "MB", "GB"):
        if size < 1000 or unit == "GB":
            return f"{size:,.0f} {unit}" if unit == "B" else f"{size:,.1f} {unit}"
        size /= 1000
    raise AssertionError("unreachable")

"""The plain statements about a card, in the same words everywhere (I6)."""

from __future__ import annotations

import sqlite3


def standing_of(row: sqlite3.Row) -> str:
    """What a person needs to know of a card: may it be removed, may it be wiped."""
    if row["state"] == "reading":
        return "still reading - leave the card in"
    if row["state"] == "copied" and row["complete"]:
        return "copied here - the card may be removed, not yet wiped"
    if row["state"] == "copied":
        return "copied here, but not all of the card could be read - do not wipe it; read it again"
    if row["complete"]:
        return f"held centrally - receipt {row['id']} lists every file; the card may be wiped by a person"
    return (
        f"held centrally what could be read - receipt {row['id']}; not all of the card could be read: "
        "do not wipe it; read it again"
    )


def size_text(size: float) -> str:
    for unit in ("B", "kB", "MB", "GB"):
        if size < 1000 or unit == "GB":
            return f"{size:,.0f} {unit}" if unit == "B" else f"{size:,.1f} {unit}"
        size /= 1000
    raise AssertionError("unreachable")

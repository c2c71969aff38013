"""What pages and the agent show alike: text of others, and sizes."""

from __future__ import annotations

import unicodedata

from rich.filesize import pick_unit_and_suffix

# General categories of the Unicode Character Database (UAX #44): control, format (with those that turn the
# text around them), surrogate, line and paragraph separator.
UNSEEN = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})


def plain(text: str) -> str:
    """Text with what is not seen written out: a file name must not reorder a page, hide a part of itself,
    feign a line, or give orders to a terminal."""
    if text.isprintable():
        return text
    return "".join(
        f"\\u{{{ord(char):04X}}}" if unicodedata.category(char) in UNSEEN else char for char in text
    )


def size_words(size: float) -> str:
    """Bytes as a person reads them; decimal units (IEC 80000-13 keeps kB = 1000 B)."""
    scale, unit = pick_unit_and_suffix(int(size), ["B", "kB", "MB", "GB", "TB"], 1000)
    return f"{size:.0f} B" if scale == 1 else f"{size / scale:.1f} {unit}"

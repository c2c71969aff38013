"""Text of others, as it may be shown."""

from __future__ import annotations

import unicodedata

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

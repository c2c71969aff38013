"""Draws a slate for paper and screen: the QR code (ISO/IEC 18004), and a frame of alignment patterns.

The frame says nothing. It is there to be seen: its modules are more than twice as large as those of the code,
and it stands all round, so that a slate that is cut off, small, blurred or burnt out still shows that it was
one. A finder pattern would do as well, but readers take any three of those for a code.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

import segno

from agent.slates.code import Slate, slate_text

# Level Q restores about a quarter of the code words (ISO/IEC 18004, 7.5.1): glare, drops and the edge of a
# round view cost some of them. A higher level that fits the same size is taken.
LEVEL = "q"
# Light modules all round (ISO/IEC 18004, 5.3.8).
QUIET_ZONE = 4
# The frame in its own modules: the code with its quiet zone inside, the patterns, light around them.
INSIDE, PATTERN, MARGIN = 15, 5, 1
OUTSIDE = INSIDE + 2 * (PATTERN + MARGIN)
TO_A_SIDE = 4

Rectangle = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Drawn:
    """A square of `side` units, light but for the rectangles (left, top, width, height)."""

    side: int
    dark: tuple[Rectangle, ...]


def qr_of(slate: Slate) -> segno.QRCode:
    return segno.make_qr(slate_text(slate), error=LEVEL, boost_error=True)


def drawn(slate: Slate) -> Drawn:
    rows = [bytes(row) for row in qr_of(slate).matrix]
    # In such units a module of the code and one of the frame are both whole.
    module, of_frame = INSIDE, len(rows) + 2 * QUIET_ZONE
    left = (PATTERN + MARGIN) * of_frame + QUIET_ZONE * module
    code = [
        (left + x * module, left + y * module, length * module, module)
        for y, row in enumerate(rows)
        for x, length in _runs(row)
    ]
    # They stand as evenly as whole units let them.
    first, last = MARGIN * of_frame, (OUTSIDE - MARGIN - PATTERN) * of_frame
    at = [first + (last - first) * number // (TO_A_SIDE - 1) for number in range(TO_A_SIDE)]
    frame = [
        rectangle for y in at for x in at if {x, y} & {first, last} for rectangle in _pattern(x, y, of_frame)
    ]
    return Drawn(OUTSIDE * of_frame, (*code, *frame))


def _pattern(left: int, top: int, module: int) -> list[Rectangle]:
    """An alignment pattern: a ring of one module around one module, 5 x 5."""
    side, far = PATTERN * module, (PATTERN - 1) * module
    between = (PATTERN - 2) * module
    return [
        (left, top, side, module),
        (left, top + far, side, module),
        (left, top + module, module, between),
        (left + far, top + module, module, between),
        (left + 2 * module, top + 2 * module, module, module),
    ]


def _runs(row: bytes) -> list[tuple[int, int]]:
    """Start and length of each dark run."""
    runs: list[tuple[int, int]] = []
    for x, dark in enumerate(row):
        if dark and runs and sum(runs[-1]) == x:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        elif dark:
            runs.append((x, 1))
    return runs


def svg_of(slate: Slate, title: str) -> str:
    """An SVG element that grows with the page around it, black on white whatever the page is."""
    picture = drawn(slate)
    path = "".join(f"M{x} {y}h{width}v{height}h-{width}z" for x, y, width, height in picture.dark)
    return (
        f'<svg class="code" viewBox="0 0 {picture.side} {picture.side}" '
        f'role="img"><title>{escape(title)}</title><path fill="#fff" d="M0 0h{picture.side}v{picture.side}'
        f'H0z"/><path fill="#000" shape-rendering="crispEdges" d="{path}"/></svg>'
    )

"""Draws the QR code of a slate (ISO/IEC 18004) for paper and screen."""

from __future__ import annotations

import io

import segno

from agent.slates.code import Slate, slate_text

# Level Q restores about a quarter of the code words (ISO/IEC 18004, 7.5.1): glare, drops and the edge of a
# round view cost some of them. A higher level that fits the same size is taken.
LEVEL = "q"
# Light modules all round (ISO/IEC 18004, 5.3.8).
QUIET_ZONE = 4


def qr_of(slate: Slate) -> segno.QRCode:
    return segno.make_qr(slate_text(slate), error=LEVEL, boost_error=True)


def rows_of(slate: Slate) -> list[bytes]:
    """The modules without the quiet zone, row by row, 1 is dark."""
    return [bytes(row) for row in qr_of(slate).matrix]


def svg_of(slate: Slate, title: str) -> str:
    """An SVG element that grows with the page around it, black on white whatever the page is."""
    out = io.BytesIO()
    qr_of(slate).save(
        out, kind="svg", border=QUIET_ZONE, xmldecl=False, svgns=True, omitsize=True, title=title,
        dark="#000", light="#fff", svgclass="code", lineclass=None,
    )  # fmt: skip
    return out.getvalue().decode("utf-8").strip()

"""Flat things a scope is pointed at before and after: nameplate, reference clock, resolution target."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from random import Random

from PIL import Image, ImageDraw, ImageFilter, ImageFont

from seed.textures import Size, cloud, faded, metal, stained, static, with_grain


def nameplate(size: Size, text: str) -> Image.Image:
    """An etched plate with four rivets; `text` is the serial number."""
    picture = _painted_wall(size).copy()
    unit = size[1] / 720
    plate = (190 * unit, 190 * unit, size[0] - 190 * unit, size[1] - 190 * unit)
    sheet = Image.new("L", size, 0)
    ImageDraw.Draw(sheet).rounded_rectangle(plate, radius=14 * unit, fill=255)
    picture.paste(
        (6, 7, 6), (round(5 * unit), round(8 * unit)), sheet.filter(ImageFilter.GaussianBlur(7 * unit))
    )
    picture.paste(_brushed(size), (0, 0), sheet)
    pen = ImageDraw.Draw(picture)
    ink = (34, 33, 32)
    inset = tuple(at + sign * 18 * unit for at, sign in zip(plate, (1, 1, -1, -1), strict=True))
    pen.rounded_rectangle(inset, radius=8 * unit, outline=ink, width=max(2, round(3 * unit)))
    middle = size[0] / 2
    _write(pen, (middle, plate[1] + 60 * unit), "TARNWICK WORKS", 36 * unit, ink)
    _write(pen, (middle, plate[1] + 116 * unit), "MADE-UP PLATE", 25 * unit, ink)
    _write(pen, (middle, plate[1] + 164 * unit), "SERIAL No.", 25 * unit, ink)
    _write(pen, (middle, plate[1] + 236 * unit), text, 80 * unit, ink)
    for x in (plate[0] + 42 * unit, plate[2] - 42 * unit):
        for y in (plate[1] + 42 * unit, plate[3] - 42 * unit):
            _rivet(pen, x, y, 13 * unit)
    return picture


def clock(size: Size, text: str) -> Image.Image:
    """A dark display with the reference time as `text`."""
    picture = _painted_wall(size).copy()
    unit = size[1] / 720
    pen = ImageDraw.Draw(picture)
    case = (170 * unit, 210 * unit, size[0] - 170 * unit, size[1] - 210 * unit)
    pen.rounded_rectangle(
        case, radius=24 * unit, fill=(46, 47, 50), outline=(120, 122, 124), width=round(5 * unit)
    )
    glass = (210 * unit, 255 * unit, size[0] - 210 * unit, size[1] - 255 * unit)
    pen.rectangle(glass, fill=(24, 34, 20))
    pen.text(
        (size[0] / 2, size[1] / 2), text, font=_font(round(86 * unit)), fill=(168, 236, 120), anchor="mm"
    )
    glow = picture.filter(ImageFilter.GaussianBlur(9 * unit))
    return Image.blend(picture, glow, 0.25)


def target(size: Size, text: str) -> Image.Image:
    """A white card with line groups of falling width and a 10 mm scale; `text` is not shown."""
    picture = _card(size).copy()
    unit = size[1] / 720
    pen = ImageDraw.Draw(picture)
    ink = (26, 26, 28)
    for row, lines_per_mm in enumerate((1, 2, 4, 5, 8)):
        width = 44 * unit / lines_per_mm / 2
        y = (120 + row * 72) * unit
        for bar in range(5):
            x = 250 * unit + bar * 2 * width
            pen.rectangle((x, y, x + width, y + 52 * unit), fill=ink)
            across = y + bar * min(2 * width, 11 * unit)
            pen.rectangle((520 * unit, across, 590 * unit, across + min(width, 5.5 * unit)), fill=ink)
        _write(pen, (690 * unit, y + 26 * unit), f"{lines_per_mm} / mm", 30 * unit, ink)
    for tick in range(11):
        x, tall = (240 + tick * 44) * unit, (34 if tick % 5 == 0 else 20) * unit
        pen.line((x, 560 * unit - tall, x, 560 * unit), fill=ink, width=max(2, round(3 * unit)))
    pen.line((240 * unit, 560 * unit, 680 * unit, 560 * unit), fill=ink, width=max(2, round(3 * unit)))
    _write(pen, (735 * unit, 545 * unit), "10 mm", 30 * unit, ink)
    return picture


PLATES: dict[str, Callable[[Size, str], Image.Image]] = {
    "nameplate": nameplate,
    "clock": clock,
    "target": target,
}


def _write(
    pen: ImageDraw.ImageDraw, at: tuple[float, float], text: str, height: float, ink: tuple[int, int, int]
) -> None:
    """Etched letters: dark, with a lit lower edge."""
    font = _font(round(height))
    pen.text((at[0] + 1.5, at[1] + 1.5), text, font=font, fill=(236, 234, 226), anchor="mm")
    pen.text(at, text, font=font, fill=ink, anchor="mm")


def _rivet(pen: ImageDraw.ImageDraw, x: float, y: float, r: float) -> None:
    pen.ellipse((x - r, y - r, x + r, y + r), fill=(112, 110, 106), outline=(30, 30, 30), width=2)
    pen.arc((x - r * 0.8, y - r * 0.8, x + r * 0.8, y + r * 0.8), 170, 290, fill=(250, 248, 240), width=3)


@cache
def _font(height: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(height)


@cache
def _painted_wall(size: Size) -> Image.Image:
    rng = Random("wall")
    paint = with_grain(faded(cloud(size, rng, 180), 0.3), faded(static(size, rng, (6, 6)), 0.16))
    wall = metal(paint, (14, 18, 16), (86, 100, 92), (214, 222, 214))
    return stained(wall, (120, 96, 64), cloud(size, rng, 150), 0.6)


@cache
def _brushed(size: Size) -> Image.Image:
    rng = Random("plate")
    lines = with_grain(faded(static(size, rng, (260, 1)), 0.26), faded(cloud(size, rng, 150), 0.22))
    return metal(
        lines.point(lambda value: min(255, value + 24)), (30, 30, 30), (150, 148, 142), (244, 242, 234)
    )


@cache
def _card(size: Size) -> Image.Image:
    rng = Random("card")
    paper = with_grain(faded(cloud(size, rng, 200), 0.12), faded(static(size, rng), 0.08))
    return metal(
        paper.point(lambda value: min(255, value + 70)), (60, 60, 60), (170, 170, 168), (238, 238, 234)
    )

"""Drawn things that look a little like a slate's patterns and are none: bolts, holes, rings, mesh, threads,
print, checks, spots and plain noise, as a scope would see them. Nothing here shows a real machine."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from tests.agent.slate_views import View, through_the_scope

SIZE = (640, 480)
Draw = Callable[[random.Random], Image.Image]


def hardware(kind: str, seed: int) -> bytes:
    """A JPEG of one of `KINDS`; equal seeds are equal pictures."""
    chance = random.Random(f"{kind}/{seed}")
    page = KINDS[kind](chance)
    lean = [chance.uniform(-60, 60) for _ in range(8)]
    width, height = SIZE
    quad = (0, 0, 0, height, width, height, width, 0)
    page = page.transform(
        SIZE,
        Image.Transform.QUAD,
        tuple(corner + by for corner, by in zip(quad, lean, strict=True)),
        Image.Resampling.BICUBIC,
        fillcolor=120,
    )
    view = View(
        seed,
        SIZE,
        blur=chance.uniform(0.0006, 0.006),
        gain=chance.uniform(0.5, 2),
        noise=chance.uniform(2, 14),
        quality=chance.randint(60, 92),
    )
    return through_the_scope(page, view)


def _page(chance: random.Random) -> tuple[Image.Image, ImageDraw.ImageDraw]:
    page = Image.new("L", SIZE, chance.randint(80, 200))
    return page, ImageDraw.Draw(page)


def _disc(pen: ImageDraw.ImageDraw, x: float, y: float, radius: float, grey: int) -> None:
    pen.ellipse((x - radius, y - radius, x + radius, y + radius), fill=grey)


def bolts(chance: random.Random) -> Image.Image:
    """A circle of bolts: washer, edge of the washer, head, socket."""
    page, pen = _page(chance)
    circle, size, number = chance.uniform(80, 200), chance.uniform(6, 30), chance.randint(5, 24)
    rings = [
        (1.6, chance.randint(20, 90)),
        (1.25, chance.randint(120, 230)),
        (chance.uniform(0.8, 1.1), chance.randint(20, 120)),
        (chance.uniform(0.5, 0.75), chance.randint(120, 250)),
    ]
    socket = chance.uniform(0.25, 0.45), chance.randint(10, 70), chance.choice((0, 4, 6))
    left, top = 320 + chance.uniform(-80, 80), 240 + chance.uniform(-60, 60)
    for at in range(number):
        angle = 2 * math.pi * at / number
        x, y = left + circle * math.cos(angle), top + circle * math.sin(angle)
        for share, grey in rings:
            _disc(pen, x, y, share * size, grey)
        if socket[2]:
            pen.regular_polygon((x, y, socket[0] * size), socket[2], chance.randint(0, 90), fill=socket[1])
        else:
            _disc(pen, x, y, socket[0] * size, socket[1])
    return page


def holes(chance: random.Random) -> Image.Image:
    """Dark holes with a bright rim in rows."""
    page, pen = _page(chance)
    pitch = chance.uniform(10, 70)
    radius, shifted = pitch * chance.uniform(0.2, 0.42), chance.choice((0, pitch / 2))
    for row, y in enumerate(np.arange(-pitch, SIZE[1] + pitch, pitch)):
        for x in np.arange(-pitch, SIZE[0] + pitch, pitch):
            middle = float(x) + (shifted if row % 2 else 0)
            _disc(pen, middle, float(y), radius * 1.2, chance.randint(150, 240))
            _disc(pen, middle, float(y), radius, chance.randint(5, 40))
    return page


def rings(chance: random.Random) -> Image.Image:
    """Seals, bearings, steps of a bore: rings within each other, of any width."""
    page, pen = _page(chance)
    for _ in range(chance.randint(1, 8)):
        x, y, radius = chance.uniform(0, 640), chance.uniform(0, 480), chance.uniform(10, 220)
        number, bend = chance.randint(2, 7), chance.uniform(0.7, 1.4)
        for at in range(number, 0, -1):
            grey = chance.randint(10, 70) if at % 2 else chance.randint(120, 240)
            _disc(pen, x, y, radius * (at / number) ** bend, grey)
    return page


def mesh(chance: random.Random) -> Image.Image:
    page, pen = _page(chance)
    pitch = chance.uniform(6, 40)
    width = max(1, round(pitch * chance.uniform(0.2, 0.6)))
    for x in np.arange(0, 640, pitch).tolist():
        pen.line((x, 0, x + chance.uniform(-3, 3), 480), fill=40, width=width)
    for y in np.arange(0, 480, pitch).tolist():
        pen.line((0, y, 640, y + chance.uniform(-3, 3)), fill=40, width=width)
    return page


def threads(chance: random.Random) -> Image.Image:
    down, right = np.mgrid[0:480, 0:640]
    angle, pitch = chance.uniform(0, math.pi), chance.uniform(5, 40)
    along = right * math.cos(angle) + down * math.sin(angle) + 10 * np.sin(down / 60)
    return Image.fromarray((128 + 100 * np.sin(along / pitch * 2 * math.pi)).astype(np.uint8))


def print_(chance: random.Random) -> Image.Image:
    """Letters and figures with rings in them, on paper."""
    page = Image.new("L", SIZE, 215)
    font = ImageFont.load_default(chance.choice((10, 14, 18, 24, 36, 60)))
    pen, height = ImageDraw.Draw(page), chance.randint(14, 70)
    for y in range(10, 480, height):
        pen.text((10, y), "".join(chance.choice("0oO8B@Q69%&#abcdeDgS ") for _ in range(70)), 20, font)
    return page.rotate(chance.uniform(0, 360), Image.Resampling.BICUBIC, fillcolor=215)


def checks(chance: random.Random) -> Image.Image:
    down, right = np.mgrid[0:480, 0:640]
    angle, pitch = chance.uniform(0, math.pi), chance.uniform(3, 40)
    along = np.floor((right * math.cos(angle) + down * math.sin(angle)) / pitch)
    across = np.floor((down * math.cos(angle) - right * math.sin(angle)) / pitch)
    return Image.fromarray(((along + across) % 2 * 180 + 30).astype(np.uint8))


def spots(chance: random.Random) -> Image.Image:
    """Drops, pits and chips, some with a light or dark middle."""
    page, pen = _page(chance)
    for _ in range(chance.randint(50, 900)):
        x, y, radius = chance.uniform(0, 640), chance.uniform(0, 480), chance.uniform(1.5, 12)
        _disc(pen, x, y, radius, chance.randint(0, 255))
        if chance.random() < 0.5:
            _disc(pen, x, y, radius * chance.uniform(0.3, 0.7), chance.randint(0, 255))
    return page


def noise(chance: random.Random) -> Image.Image:
    cell = chance.choice((1, 2, 3, 4, 6, 8, 12))
    small = (640 // cell, 480 // cell)
    field = Image.frombytes("L", small, chance.randbytes(small[0] * small[1]))
    return field.resize(SIZE, chance.choice((Image.Resampling.NEAREST, Image.Resampling.BICUBIC)))


KINDS: dict[str, Draw] = {
    "bolts": bolts,
    "holes": holes,
    "rings": rings,
    "mesh": mesh,
    "threads": threads,
    "print": print_,
    "checks": checks,
    "spots": spots,
    "noise": noise,
}

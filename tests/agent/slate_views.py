"""Synthetic views of slates through a scope: drawn sheets, turned, tilted, cut off by the edge of a round
view, burnt out, blurred, with the light's fall and the sensor's noise, as JPEG. Equal views are equal
pictures, on any machine with the same Pillow and numpy. Not pictures of a real scope: nothing here proves
one."""

from __future__ import annotations

import io
import math
import random
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter

from agent.slates.code import Slate
from agent.slates.drawing import INSIDE, OUTSIDE, drawn

PAPER, INK, OUTSIDE_THE_VIEW = 225, 20, 3
Point = tuple[float, float]
Light = NDArray[np.float32]


@dataclass(frozen=True)
class View:
    """Lengths as shares of the picture's height, which is the diameter of the round view.

    `share`: the side of the code with its quiet zone. `cut`: how much of that square lies outside the round
    view. `turn`: in radians, None: by chance. `tilt`: how far each corner of the sheet may be off, of its
    side. `blur`: standard deviation. `glare`: radius of a burnt-out spot that begins on the code. `gain`:
    exposure; what exceeds white spreads. `noise`: standard deviation in grey values of 256.
    """

    seed: int = 0
    size: tuple[int, int] = (1280, 960)
    share: float = 0.5
    cut: float = 0.0
    turn: float | None = None
    tilt: float = 0.06
    blur: float = 0.0014
    glare: float = 0.0
    gain: float = 1.0
    noise: float = 8.0
    quality: int = 85
    progressive: bool = False


def sheet(slate: Slate, side: int) -> Image.Image:
    """The slate as printed, `side` pixels wide or as many as it has units, if those are less."""
    printed = _printed(slate)
    if side >= printed.width:
        return printed
    return printed.resize((side, side), Image.Resampling.BOX)


@cache
def _printed(slate: Slate) -> Image.Image:
    picture = drawn(slate)
    made = Image.new("L", (picture.side, picture.side), PAPER)
    pen = ImageDraw.Draw(made)
    for x, y, width, height in picture.dark:
        pen.rectangle((x, y, x + width - 1, y + height - 1), INK)
    return made


def seen(slates: list[Slate], view: View = View(), ground: Image.Image | None = None) -> bytes:
    """A JPEG of the slates side by side, on paper, or on sheets of their own that lie on `ground`."""
    chance = random.Random(f"view/{view.seed}")
    width, height = view.size
    page = ground.convert("L").resize(view.size) if ground else Image.new("L", view.size, PAPER)
    turn, away = chance.uniform(0, 2 * math.pi), chance.uniform(0, 2 * math.pi)
    turn = turn if view.turn is None else view.turn
    off = _offset(view, turn, away)
    middle = width / 2 + off * math.cos(away), height / 2 + off * math.sin(away)
    side = view.share * height * OUTSIDE / INSIDE
    for at, slate in enumerate(slates):
        along = (at - (len(slates) - 1) / 2) * side * 1.1
        corners = [
            (
                middle[0] + math.cos(turn) * (x + along) - math.sin(turn) * y,
                middle[1] + math.sin(turn) * (x + along) + math.cos(turn) * y,
            )
            for x, y in _leaning(side, view.tilt, chance)
        ]
        _lay(page, sheet(slate, max(OUTSIDE, round(1.2 * side))), corners)
    return through_the_scope(page, view, middle)


def through_the_scope(page: Image.Image, view: View, burnt_at: Point | None = None) -> bytes:
    chance = random.Random(f"scope/{view.seed}")
    width, height = view.size
    if view.glare:
        _burn(page, view.glare * height, burnt_at or (width / 2, height / 2), chance)
    page = page.filter(ImageFilter.GaussianBlur(view.blur * height))
    down, right = np.mgrid[0:height, 0:width].astype(np.float32)
    radius = np.hypot(right - width / 2, down - height / 2) / (height / 2)
    light = np.asarray(page, np.float32) * (1 - 0.6 * radius.clip(0, 1) ** 2) * np.float32(view.gain)
    light = np.where(radius <= 1, light + _spread(light), OUTSIDE_THE_VIEW)
    light += np.random.default_rng(view.seed).normal(0, view.noise, light.shape)
    out = io.BytesIO()
    picture = Image.fromarray(light.clip(0, 255).astype(np.uint8)).convert("RGB")
    picture.save(out, "JPEG", quality=view.quality, progressive=view.progressive)
    return out.getvalue()


def _leaning(side: float, tilt: float, chance: random.Random) -> list[Point]:
    """The corners of a square about 0, each a little off: upper left first, clockwise."""
    return [
        (x * side / 2 + chance.uniform(-tilt, tilt) * side, y * side / 2 + chance.uniform(-tilt, tilt) * side)
        for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]


def _offset(view: View, turn: float, away: float) -> float:
    """How far from the middle of the view the code is when `cut` of it lies outside."""
    side, radius = view.share * view.size[1], view.size[1] / 2
    line = (np.arange(64) + 0.5) / 64 - 0.5
    x, y = np.meshgrid(line * side, line * side)
    x, y = math.cos(turn) * x - math.sin(turn) * y, math.sin(turn) * x + math.cos(turn) * y
    low, high = 0.0, radius + side
    for _ in range(30):
        off = (low + high) / 2
        outside = np.hypot(x + off * math.cos(away), y + off * math.sin(away)) > radius
        low, high = (off, high) if outside.mean() < max(view.cut, 1e-9) else (low, off)
    # A whole code stands anywhere between the middle and the edge, a tilted one not at the edge itself.
    whole = random.Random(f"off/{view.seed}").uniform(0, 0.7) * low
    return low if view.cut else whole


def _lay(page: Image.Image, sheet: Image.Image, corners: list[Point]) -> None:
    side = float(sheet.width)
    rows, wanted = [], []
    for (x, y), (u, v) in zip(corners, ((0, 0), (side, 0), (side, side), (0, side)), strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        wanted += [u, v]
    back = tuple(np.linalg.solve(np.array(rows, float), np.array(wanted, float)).tolist())
    to, how = (page.size, Image.Transform.PERSPECTIVE), Image.Resampling.BICUBIC
    mask = Image.new("L", sheet.size, 255).transform(*to, back, Image.Resampling.BILINEAR)
    page.paste(sheet.transform(*to, back, how, fillcolor=PAPER), (0, 0), mask)


def _burn(page: Image.Image, radius: float, near: Point, chance: random.Random) -> None:
    x, y = (at + chance.uniform(-0.4, 0.4) * radius for at in near)
    ImageDraw.Draw(page).ellipse((x - radius, y - radius, x + radius, y + radius), fill=255)


def _spread(light: Light) -> Light:
    """What exceeds white shines beside it."""
    over = Image.fromarray((light - 255).clip(0, 255).astype(np.uint8))
    return np.asarray(over.filter(ImageFilter.GaussianBlur(light.shape[0] / 160)), np.float32)

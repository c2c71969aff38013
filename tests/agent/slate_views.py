"""Synthetic views of a slate through a scope: a drawn sheet, turned, skewed, blurred, dimmed towards the edge
of a round view, with noise, as JPEG. Not pictures of a real scope: nothing here proves one."""

from __future__ import annotations

import io
import random
from dataclasses import dataclass

from PIL import Image, ImageChops, ImageDraw, ImageFilter

from agent.slates.code import Slate
from agent.slates.drawing import QUIET_ZONE, rows_of

PAPER = 180


@dataclass(frozen=True)
class View:
    """`share`: the code's side of the picture's height. `glare`: radius of a burnt-out spot on the code, of
    the picture's height."""

    seed: int = 0
    size: tuple[int, int] = (1280, 960)
    share: float = 0.5
    blur: float = 1.3
    glare: float = 0.0
    progressive: bool = False


def sheet(slate: Slate, module: int = 12) -> Image.Image:
    """The code as printed, with its quiet zone."""
    rows = rows_of(slate)
    side = len(rows) + 2 * QUIET_ZONE
    made = Image.new("L", (side, side), 255)
    for y, row in enumerate(rows, QUIET_ZONE):
        for x, dark in enumerate(row, QUIET_ZONE):
            made.putpixel((x, y), 0 if dark else 255)
    return made.resize((side * module, side * module), Image.Resampling.NEAREST)


def seen(slates: list[Slate], view: View = View()) -> bytes:
    """A JPEG of the slates side by side."""
    width, height = view.size
    side = int(view.share * height)
    page = Image.new("L", view.size, PAPER)
    for at, slate in enumerate(slates):
        left = (width - side * len(slates)) // 2 + side * at
        page.paste(sheet(slate).resize((side, side), Image.Resampling.LANCZOS), (left, (height - side) // 2))
    return through_the_scope(page, view)


def through_the_scope(page: Image.Image, view: View) -> bytes:
    chance = random.Random(view.seed)
    width, height = view.size
    lean = [chance.uniform(-0.1, 0.1) * view.share * height for _ in range(8)]
    corners = (0, 0, 0, height, width, height, width, 0)
    quad = tuple(corner + by for corner, by in zip(corners, lean, strict=True))
    page = page.rotate(chance.uniform(0, 360), Image.Resampling.BICUBIC, fillcolor=PAPER)
    page = page.transform(view.size, Image.Transform.QUAD, quad, Image.Resampling.BICUBIC, fillcolor=PAPER)
    if view.glare:
        _burn(page, view.glare * height, chance)
    page = page.filter(ImageFilter.GaussianBlur(view.blur * height / 960))
    fall = Image.radial_gradient("L").resize(view.size).point([255 - v * 3 // 4 for v in range(256)])
    page = ImageChops.multiply(ImageChops.multiply(page, fall), _disc(view.size))
    page = ImageChops.add(page, Image.effect_noise(view.size, 12), 1, -128)
    out = io.BytesIO()
    page.convert("RGB").save(out, "JPEG", quality=85, progressive=view.progressive)
    return out.getvalue()


def _burn(page: Image.Image, radius: float, chance: random.Random) -> None:
    x, y = (half + chance.uniform(-0.4, 0.4) * radius for half in (page.width / 2, page.height / 2))
    ImageDraw.Draw(page).ellipse((x - radius, y - radius, x + radius, y + radius), fill=255)


def _disc(size: tuple[int, int]) -> Image.Image:
    width, height = size
    disc = Image.new("L", size, 0)
    ImageDraw.Draw(disc).ellipse(((width - height) // 2, 0, (width + height) // 2, height), fill=255)
    return disc

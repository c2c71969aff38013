"""Seeded grain, clouds, relief and tints: what the demo pictures' materials are made of.

Everything comes from `random.Random`, because Pillow's own noise cannot be seeded.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from PIL import Image, ImageChops, ImageFilter, ImageOps

Size = tuple[int, int]
Point = tuple[float, float]
Colour = tuple[int, int, int]


def static(size: Size, rng: Random, cell: Size = (1, 1)) -> Image.Image:
    """Grey noise; `cell` stretches it, e.g. (400, 1) gives horizontal machining lines."""
    small = (max(2, size[0] // cell[0]), max(2, size[1] // cell[1]))
    noise = Image.frombytes("L", small, rng.randbytes(small[0] * small[1]))
    return noise if small == size else noise.resize(size, Image.Resampling.BICUBIC)


def cloud(size: Size, rng: Random, coarse: int = 160, octaves: int = 4) -> Image.Image:
    """Fractal noise about mid grey: stains, oil, heat marks."""
    total = static(size, rng, (coarse, coarse))
    for octave in range(1, octaves):
        cell = max(1, coarse >> octave)
        total = Image.blend(total, static(size, rng, (cell, cell)), 0.5 if octave == 1 else 0.36)
    return ImageOps.autocontrast(total)


def faded(picture: Image.Image, strength: float) -> Image.Image:
    """Contrast about mid grey brought down to `strength`."""
    return picture.point([round(128 + (value - 128) * strength) for value in range(256)])


def relief(height: Image.Image, scale: float = 4.0) -> Image.Image:
    """Light from the upper left on a height map, mid grey where it is flat."""
    kernel = ImageFilter.Kernel((3, 3), (2, 1, 0, 1, 0, -1, 0, -1, -2), scale=scale, offset=128)
    return height.filter(kernel)


def with_grain(shade: Image.Image, grain: Image.Image) -> Image.Image:
    """Shading plus a grain about mid grey."""
    return ImageChops.add(shade, grain, 1, -128)


def metal(shade: Image.Image, dark: Colour, middle: Colour, bright: Colour) -> Image.Image:
    """Shading turned into the colours of a material."""
    return ImageOps.colorize(shade, dark, bright, middle, 0, 255, 120)


def stained(picture: Image.Image, colour: Colour, mask: Image.Image, strength: float) -> Image.Image:
    """A film of `colour` over the picture where `mask` is bright."""
    film = ImageChops.multiply(picture, Image.new("RGB", picture.size, colour))
    return Image.composite(film, picture, mask.point([round(value * strength) for value in range(256)]))


def across(size: Size, profile: Callable[[float], float], rng: Random, waver: float = 0.0) -> Image.Image:
    """Shading that changes along x only; `profile` takes the pixel column and gives 0..1."""
    row = bytes(max(0, min(255, round(255 * profile(column)))) for column in range(size[0]))
    bands = Image.frombytes("L", (size[0], 1), row).resize(size, Image.Resampling.BILINEAR)
    return with_grain(bands, faded(static(size, rng, (60, 120)), waver)) if waver else bands

"""Draws invented conditions on a picture of a surface, each under its `list:code` of the vocabulary.

A painter takes the picture, the middle of the condition, its half size (px) and a generator, and
draws in place.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from random import Random

from PIL import Image, ImageChops, ImageDraw, ImageFilter, ImageStat

from seed.textures import Colour, Point, cloud, faded, static, with_grain

Painter = Callable[[Image.Image, Point, float, Random], None]


def blob(centre: Point, radius: float, rng: Random, rough: float = 0.35, stretch: float = 1.0) -> list[Point]:
    """An irregular closed outline; `stretch` makes it longer in y than in x."""
    corners = 18
    phases = [rng.uniform(0, 2 * math.pi) for _ in range(3)]
    points = []
    for corner in range(corners):
        angle = 2 * math.pi * corner / corners
        wobble = sum(math.sin((order + 2) * angle + phase) for order, phase in enumerate(phases)) / 3
        reach = radius * (1 + rough * wobble + rng.uniform(-rough, rough) / 4)
        points.append((centre[0] + reach * math.cos(angle), centre[1] + reach * stretch * math.sin(angle)))
    return points


class _Window:
    """The square of a picture about a point, worked on alone so that a mark costs little."""

    def __init__(self, picture: Image.Image, at: Point, reach: float) -> None:
        half = max(8, round(reach))
        self.picture = picture
        self.corner = (round(at[0]) - half, round(at[1]) - half)
        self.size = (2 * half, 2 * half)
        self.middle = (float(half), float(half))
        right_below = (self.corner[0] + 2 * half, self.corner[1] + 2 * half)
        self.under = picture.crop((*self.corner, *right_below))

    def level(self) -> float:
        """Mean brightness under the mark, 0..255: bare metal is only as bright as the light on it."""
        return ImageStat.Stat(self.under.convert("L")).mean[0]

    def mask(self, outline: list[Point], soft: float) -> Image.Image:
        mask = Image.new("L", self.size, 0)
        ImageDraw.Draw(mask).polygon(outline, fill=255)
        return mask.filter(ImageFilter.GaussianBlur(soft))

    def put(self, over: Image.Image | Colour, mask: Image.Image) -> None:
        layer = over if isinstance(over, Image.Image) else Image.new("RGB", self.size, over)
        self.under = Image.composite(layer, self.under, mask)
        self.picture.paste(self.under, self.corner)


def _weaker(mask: Image.Image, strength: float) -> Image.Image:
    return mask.point([round(value * strength) for value in range(256)])


def _grey(noise: Image.Image, colour: Colour) -> Image.Image:
    return Image.merge(
        "RGB", [noise.point([max(0, min(255, v + c - 128)) for v in range(256)]) for c in colour]
    )


def _pit(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """A crater: lit far wall, dark floor with grains."""
    window = _Window(picture, at, radius * 2.2)
    outline = blob(window.middle, radius, rng, 0.45)
    mask = window.mask(outline, 0.8)
    lit = ImageChops.offset(mask, round(radius * 0.22) + 1, round(radius * 0.22) + 1)
    window.put((228, 222, 206), _weaker(lit, 0.75))
    floor = _grey(faded(static(window.size, rng, (2, 2)), 0.35), (34, 30, 27))
    window.put(floor, mask)


def pits(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """One large crater and a few small ones about it."""
    _pit(picture, at, radius * 0.42, rng)
    for _ in range(rng.randint(2, 6)):
        near = (at[0] + rng.gauss(0, radius * 0.45), at[1] + rng.gauss(0, radius))
        _pit(picture, near, radius * rng.uniform(0.06, 0.18), rng)


def spall(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """A long flaked-out area with a sharp edge."""
    window = _Window(picture, at, radius * 2.4)
    mask = window.mask(blob(window.middle, radius * 0.6, rng, 0.5, 1.6), 0.8)
    window.put((232, 228, 216), _weaker(ImageChops.offset(mask, 2, 3), 0.8))
    floor = with_grain(faded(cloud(window.size, rng, 12), 0.5), faded(static(window.size, rng, (3, 3)), 0.4))
    window.put(_grey(floor, (58, 53, 48)), mask)


def frosted(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """A dull grey patch of very fine speckle (micropitting, erosion)."""
    window = _Window(picture, at, radius * 3)
    mask = window.mask(blob(window.middle, radius * 0.72, rng, 0.35, 2.2), radius * 0.16)
    mottled = ImageChops.multiply(
        mask, faded(cloud(window.size, rng, 14), 0.8).point(lambda v: min(255, v + 90))
    )
    window.put(_grey(faded(static(window.size, rng), 0.42), (150, 150, 144)), _weaker(mottled, 0.68))


def streaks(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """Torn lines in the sliding direction (scuffing, smearing, rubbing, abrasion)."""
    window = _Window(picture, at, radius * 2.4)
    mask = window.mask(blob(window.middle, radius * 0.85, rng, 0.3, 1.5), radius * 0.12)
    lines = static(window.size, rng, (max(4, round(radius * 0.9)), 2)).point(
        lambda v: max(0, min(255, (v - 118) * 4))
    )
    window.put((22, 20, 19), _weaker(ImageChops.multiply(mask, ImageChops.offset(lines, 0, 2)), 0.7))
    window.put((226, 220, 206), _weaker(ImageChops.multiply(mask, lines), 0.75))


def crack(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """A thin dark branching line with one lit lip."""
    heading = rng.choice((0.9, 1.3, 2.0, 2.3)) + rng.uniform(-0.2, 0.2)
    path = [(at[0] - radius * 1.2 * math.cos(heading), at[1] - radius * 1.2 * math.sin(heading))]
    for _ in range(16):
        turn = heading + rng.gauss(0, 0.45)
        step = radius * 0.15 * rng.uniform(0.6, 1.4)
        path.append((path[-1][0] + step * math.cos(turn), path[-1][1] + step * math.sin(turn)))
    fork = path[9]
    branch = [
        fork,
        (fork[0] + radius * 0.2, fork[1] + radius * 0.08),
        (fork[0] + radius * 0.36, fork[1] + radius * 0.3),
    ]
    draw = ImageDraw.Draw(picture)
    draw.line([(x + 1.5, y + 1.5) for x, y in path], fill=(188, 180, 166), width=1)
    draw.line(path[:12], fill=(10, 8, 8), width=max(2, round(radius / 18)), joint="curve")
    draw.line(path[11:], fill=(16, 13, 12), width=1)
    draw.line(branch, fill=(14, 12, 11), width=1)


def bare(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """A flake of coating gone: sharp edge, darker smooth metal, a shadow along the step."""
    window = _Window(picture, at, radius * 2)
    mask = window.mask(blob(window.middle, radius * 0.85, rng, 0.5), 0.7)
    window.put((244, 236, 216), _weaker(ImageChops.offset(mask, -2, -2), 0.8))
    window.put((30, 24, 20), _weaker(ImageChops.offset(mask, 2, 2), 0.6))
    tone = round(window.level() * 0.62)
    metal = _grey(faded(cloud(window.size, rng, 20), 0.3), (tone + 4, tone, tone - 2))
    window.put(metal, _weaker(mask, 0.8))


def notch(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """A piece struck out of a leading edge: dark opening to the left, bright turned lip."""
    x, y, deep = at[0], at[1], radius * 0.55
    beside = _Window(picture, (x - radius, y), radius * 0.3)
    behind = round(beside.level() * 0.8)
    left = x - radius * 0.42
    outline = [
        (left, y - deep * 0.9), (x - radius * 0.1, y - deep * 0.7), (x + deep * 0.3, y - deep * 0.2),
        (x + deep * 0.42, y + deep * 0.16), (x + deep * 0.1, y + deep * 0.5), (left, y + deep * 0.8),
    ]  # fmt: skip
    outline = [(px + rng.uniform(-2, 2), py + rng.uniform(-2, 2)) for px, py in outline]
    draw = ImageDraw.Draw(picture)
    draw.polygon(outline, fill=(behind, behind, behind))
    draw.line(outline[1:5], fill=(206, 202, 190), width=max(2, round(radius / 18)), joint="curve")
    draw.line([(px + 4, py + 1) for px, py in outline[1:5]], fill=(96, 92, 88), width=2, joint="curve")


def rust(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """Brown patches, darker in the middle (corrosion, oxidation)."""
    window = _Window(picture, at, radius * 2.4)
    edge = window.mask(blob(window.middle, radius * 1.1, rng, 0.5), radius * 0.2)
    patches = cloud(window.size, rng, 26).point(lambda v: max(0, min(255, (v - 100) * 5)))
    tone = _grey(faded(cloud(window.size, rng, 12), 0.5), (126, 66, 28))
    window.put(tone, _weaker(ImageChops.multiply(edge, patches), 0.88))


def dents(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """Round impressions, lit on one side."""
    draw = ImageDraw.Draw(picture)
    for _ in range(rng.randint(5, 11)):
        x, y = at[0] + rng.gauss(0, radius * 0.6), at[1] + rng.gauss(0, radius * 0.9)
        r = radius * rng.uniform(0.05, 0.17)
        draw.ellipse((x - r, y - r, x + r, y + r), fill=(62, 60, 58))
        draw.arc((x - r, y - r, x + r, y + r), 0, 130, fill=(240, 236, 224), width=max(1, round(r / 3)))
        draw.arc((x - r, y - r, x + r, y + r), 180, 310, fill=(14, 13, 13), width=max(1, round(r / 3)))


def scorched(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """Overheated metal: straw and blue rings round a burnt middle."""
    window = _Window(picture, at, radius * 2.4)
    for share, colour, strength in (
        (1.5, (176, 120, 52), 0.45),
        (1.15, (70, 74, 128), 0.5),
        (0.8, (54, 40, 36), 0.75),
        (0.4, (12, 9, 8), 0.9),
    ):
        mask = window.mask(blob(window.middle, radius * share * 0.8, rng, 0.25), radius * 0.14)
        window.put(_grey(faded(cloud(window.size, rng, 16), 0.35), colour), _weaker(mask, strength))


def soot(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """Dark flaky layer."""
    window = _Window(picture, at, radius * 2.4)
    edge = window.mask(blob(window.middle, radius * 1.1, rng, 0.5), radius * 0.22)
    flakes = cloud(window.size, rng, 18).point(lambda v: max(0, min(255, (v - 92) * 4)))
    tone = _grey(faded(static(window.size, rng, (3, 3)), 0.25), (34, 28, 22))
    window.put(tone, _weaker(ImageChops.multiply(edge, flakes), 0.92))


def broken(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """A piece missing: coarse bright fracture face with a dark hollow beside it."""
    window = _Window(picture, at, radius * 2.2)
    mask = window.mask(blob(window.middle, radius, rng, 0.55), 0.8)
    window.put((4, 4, 5), ImageChops.offset(mask, -round(radius * 0.16), -round(radius * 0.1)))
    grains = with_grain(faded(cloud(window.size, rng, 10), 0.7), faded(static(window.size, rng, (2, 2)), 0.5))
    inner = window.mask(blob(window.middle, radius * 0.74, rng, 0.5), 1.0)
    window.put(_grey(grains, (142, 138, 132)), inner)


def mirror(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """A bright smooth patch without machining lines (polishing)."""
    window = _Window(picture, at, radius * 3)
    mask = window.mask(blob(window.middle, radius * 0.7, rng, 0.25, 2.0), radius * 0.2)
    smooth = window.under.filter(ImageFilter.GaussianBlur(radius * 0.22))
    window.put(
        smooth.point([min(255, round(value * 1.5 + 18)) for value in range(256)] * 3), _weaker(mask, 0.9)
    )


def washboard(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """Evenly spaced cross lines (current leakage erosion)."""
    window = _Window(picture, at, radius * 2)
    mask = window.mask(blob(window.middle, radius, rng, 0.2, 1.3), radius * 0.15)
    pitch = max(4, round(radius / 6))
    column = Image.new("L", (1, window.size[1]))
    column.putdata([round(127 + 127 * math.sin(2 * math.pi * y / pitch)) for y in range(window.size[1])])
    window.put(_grey(faded(column.resize(window.size), 0.8), (112, 110, 106)), _weaker(mask, 0.75))


def bulged(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """A soft lit crescent beside a soft shadow: the surface no longer follows its line."""
    window = _Window(picture, at, radius * 2.6)
    form = window.mask(blob(window.middle, radius, rng, 0.15, 1.2), radius * 0.28)
    shift = round(radius * 0.5)
    window.put(
        (250, 246, 232), _weaker(ImageChops.subtract(form, ImageChops.offset(form, shift, shift)), 0.75)
    )
    window.put((4, 3, 3), _weaker(ImageChops.subtract(form, ImageChops.offset(form, -shift, -shift)), 0.85))


def gap(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """A joint standing open."""
    tilt = rng.uniform(-0.25, 0.25)
    ends = [(at[0] + side * radius * 1.4, at[1] + side * radius * 1.4 * tilt) for side in (-1, 1)]
    width = max(4, round(radius / 5))
    draw = ImageDraw.Draw(picture)
    draw.line([(x, y - width * 0.7) for x, y in ends], fill=(236, 224, 198), width=2)
    draw.line(ends, fill=(5, 4, 4), width=width)


def plugged(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """Cooling holes in a row, some filled with pale deposit."""
    draw = ImageDraw.Draw(picture)
    r = max(3.0, radius * 0.11)
    for hole in range(-3, 4):
        x, y = at[0] + hole * rng.uniform(0.5, 1.5), at[1] + hole * radius * 0.36
        draw.ellipse((x - r * 1.7, y - r * 1.7, x + r * 1.7, y + r * 1.7), fill=(72, 52, 40))
        filled = abs(hole) < 2
        draw.ellipse((x - r, y - r * 1.3, x + r, y + r * 1.3), fill=(168, 150, 122) if filled else (6, 5, 4))


def chip(picture: Image.Image, at: Point, radius: float, rng: Random) -> None:
    """A loose bright piece of metal lying on the surface."""
    window = _Window(picture, at, radius * 1.6)
    mask = window.mask(blob(window.middle, radius * 0.4, rng, 0.7, 0.6), 0.7)
    window.put((3, 3, 3), _weaker(ImageChops.offset(mask, 5, 7).filter(ImageFilter.GaussianBlur(4)), 0.9))
    window.put(_grey(faded(cloud(window.size, rng, 12), 0.9), (188, 186, 180)), mask)


GEAR, BEARING, GAS_PATH = "gear_damage_2022:", "bearing_damage:", "gas_path_condition:"

MARKS: dict[str, Painter] = {
    GEAR + "micropitting": frosted,
    GEAR + "macropitting": pits,
    GEAR + "scuffing": streaks,
    GEAR + "indentation": dents,
    GEAR + "fatigue_crack": crack,
    GEAR + "fracture": broken,
    GEAR + "corrosion": rust,
    GEAR + "polishing": mirror,
    BEARING + "5.1-surf": pits,
    BEARING + "5.1-sub": spall,
    BEARING + "5.2-adh": streaks,
    BEARING + "5.2-abr": frosted,
    BEARING + "5.3-moi": rust,
    BEARING + "5.4-lea": washboard,
    BEARING + "5.5-par": dents,
    BEARING + "5.6": broken,
    BEARING + "x-axial": crack,
    GAS_PATH + "nick": notch,
    GAS_PATH + "dent": dents,
    GAS_PATH + "crack": crack,
    GAS_PATH + "tip_rub": streaks,
    GAS_PATH + "tip_curl": bulged,
    GAS_PATH + "erosion": frosted,
    GAS_PATH + "corrosion": rust,
    GAS_PATH + "deposit": soot,
    GAS_PATH + "loose_part": chip,
    GAS_PATH + "missing_material": broken,
    GAS_PATH + "tear": notch,
    GAS_PATH + "burn": scorched,
    GAS_PATH + "coating_loss": bare,
    GAS_PATH + "distortion": bulged,
    GAS_PATH + "liner_gap": gap,
    GAS_PATH + "oxidation": rust,
    GAS_PATH + "cooling_hole_blocked": plugged,
    GAS_PATH + "object_damage_domestic": dents,
}

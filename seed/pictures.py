"""Makes the pictures a videoscope would bring back of the invented fleet. Nothing here shows a real machine.

`draw` renders one view, `jpeg` writes it as a file with Exif. The same shot gives the same pixels
on any machine with the same Pillow.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from random import Random
from typing import NamedTuple

from PIL import Image, ImageChops, ImageDraw, ImageFilter

from seed.marks import MARKS, blob
from seed.plates import PLATES
from seed.scenario import SeedLocation
from seed.surfaces import OVERSIZE, SURFACES, VARIANTS, surface
from seed.textures import Point, Size, static

Source = Callable[[float, float], Point]
MeshCell = tuple[tuple[int, int, int, int], tuple[float, ...]]

# Strength of the sensor noise, by eye, and such that a 640 x 480 JPEG has the size of a real one.
NOISE = 0.16

KINDS = (*SURFACES, *PLATES)


@dataclass(frozen=True)
class Shot:
    """What makes a picture the one it is. `index` tells apart pictures of the same element on one visit;
    `visit` names the visit, between which conditions and paint marks stay where they are."""

    serial: str
    location: str
    index: int = 0
    visit: str = ""


class _Aim(NamedTuple):
    """Where on a surface to look: elements per surface height, and the point within one element."""

    elements_per_height: float
    phase: float
    height: float


AIMS = {
    "gear": _Aim(3.1, 0.31, 0.55),
    "roller": _Aim(3.4, 0.56, 0.50),
    "blade": _Aim(3.3, 0.52, 0.48),
    "turbine_blade": _Aim(2.5, 0.52, 0.48),
    "vane": _Aim(1.9, 0.52, 0.48),
    "segment": _Aim(1.9, 0.0, 0.50),
}

# Edge and tip conditions are looked at where they can be: phase and height on an aerofoil.
AIMED_MARKS = {
    "gas_path_condition:nick": (0.22, 0.50),
    "gas_path_condition:tear": (0.22, 0.50),
    "gas_path_condition:missing_material": (0.20, 0.40),
    "gas_path_condition:tip_rub": (0.55, 0.22),
    "gas_path_condition:tip_curl": (0.55, 0.22),
}


def view_kind(location: SeedLocation) -> str:
    """The kind of view that shows this location."""
    by_key = {"ID": "nameplate", "RES": "target", "SUMP": "bore", "JET": "spray_bar", "SHR1": "segment"}
    last = location.key.rsplit(".", 1)[-1]
    if last in by_key:
        return by_key[last]
    if location.component == "combustor":
        return "liner"
    kind = location.element.kind if location.element else ""
    if kind == "blade" and location.component == "turbine":
        return "turbine_blade"
    return {"tooth": "gear", "roller": "roller", "blade": "blade", "vane": "vane"}[kind]


def draw(
    kind: str,
    seed: Shot,
    element: int | None = None,
    condition: str | None = None,
    size: Size = (640, 480),
    text: str | None = None,
) -> Image.Image:
    """One view as RGB. `element` 1 carries the start mark; `condition` is a `list:code` of the vocabulary.

    `text` is what a nameplate (default: the serial) or a clock shows. Raises ValueError for a kind or a
    condition that nothing here can draw.
    """
    if kind not in KINDS:
        raise ValueError(f"No view of kind {kind!r}; there are {', '.join(KINDS)}.")
    if condition is not None and condition not in MARKS:
        raise ValueError(f"No way to draw condition {condition!r}; add a painter to seed/marks.py.")
    lasting = Random(f"{seed.serial}/{seed.location}/{element}/{condition}")
    passing = Random(f"{seed}/{element}/{condition}")
    ground = _ground(kind, seed, size, text)
    aim = _aim(ground.size, kind, seed, element, condition)
    picture = _looked_at(ground, kind, aim, size, lasting, passing)
    unit = size[1] / 480
    if element == 1 and kind in AIMS:
        _start_mark(picture, unit, lasting)
    if condition is not None:
        at = (
            size[0] / 2 + unit * (lasting.uniform(-14, 14) + passing.uniform(-9, 9)),
            size[1] / 2 + unit * (lasting.uniform(-40, 40) + passing.uniform(-9, 9)),
        )
        MARKS[condition](picture, at, unit * lasting.uniform(32, 62), lasting)
    _reflections(picture, unit, passing)
    return _through_the_scope(picture, seed, size, passing)


def _ground(kind: str, seed: Shot, size: Size, text: str | None) -> Image.Image:
    if kind in PLATES:
        return PLATES[kind](_surface_size(size), seed.serial if text is None else text)
    return surface(kind, Random(f"{seed.serial}/{seed.location}").randrange(VARIANTS), size)


def _surface_size(size: Size) -> Size:
    return round(size[0] * OVERSIZE), round(size[1] * OVERSIZE)


def _looked_at(
    ground: Image.Image, kind: str, aim: Point, size: Size, lasting: Random, passing: Random
) -> Image.Image:
    """The part of a surface the tip sees: near or far, turned, tilted, and bent by a wide lens."""
    aim_x, aim_y = aim
    if kind in {"liner", "bore"}:
        scale, roll = lasting.uniform(0.86, 0.98), passing.uniform(-0.3, 0.3)
    elif kind in PLATES:
        scale, roll = 1.28 + passing.uniform(-0.05, 0.05), passing.uniform(-0.05, 0.05)
    else:
        scale = lasting.uniform(0.72, 0.98) + passing.uniform(-0.04, 0.04)
        roll = lasting.uniform(-0.22, 0.22) + passing.uniform(-0.05, 0.05)
    tilt_x = passing.uniform(-0.22, 0.22) / size[0]
    tilt_y = passing.uniform(-0.05, 0.40) / size[1]
    if kind in {"liner", "bore"} or kind in PLATES:
        tilt_x, tilt_y = tilt_x / 3, tilt_y / 3
    aim_x += passing.uniform(-10, 10) * size[0] / 640
    aim_y += passing.uniform(-10, 10) * size[1] / 480
    cos, sin = math.cos(roll) * scale, math.sin(roll) * scale
    half_w, half_h = size[0] / 2, size[1] / 2

    def source(x: float, y: float) -> Point:
        x, y = x - half_w, y - half_h
        barrel = 1 + 0.10 * (x * x + y * y) / (half_h * half_h) - 0.05
        near = barrel / (1 + tilt_x * x + tilt_y * y)
        return aim_x + (cos * x - sin * y) * near, aim_y + (sin * x + cos * y) * near

    return ground.transform(size, Image.Transform.MESH, _mesh(size, source), Image.Resampling.BILINEAR)


def _mesh(size: Size, source: Source, columns: int = 8, rows: int = 6) -> list[MeshCell]:
    """Pillow's mesh: target boxes, each with its four source corners (upper left, then anticlockwise)."""
    xs = [round(size[0] * column / columns) for column in range(columns + 1)]
    ys = [round(size[1] * row / rows) for row in range(rows + 1)]
    cells: list[MeshCell] = []
    for left, right in pairwise(xs):
        for top, bottom in pairwise(ys):
            corners = ((left, top), (left, bottom), (right, bottom), (right, top))
            cells.append(
                ((left, top, right, bottom), tuple(at for corner in corners for at in source(*corner)))
            )
    return cells


def _aim(ground: Size, kind: str, seed: Shot, element: int | None, condition: str | None) -> Point:
    """The point of the surface in the middle of the picture."""
    lasting = Random(f"aim/{seed.serial}/{seed.location}/{element}/{condition}")
    middle_x, middle_y = ground[0] / 2, ground[1] / 2
    if kind in AIMS:
        return _aim_at_element(ground, kind, element, condition, lasting)
    if kind in {"liner", "bore"} and (condition or seed.index % 6):
        # Round the wall; straight down is only the first picture of a set without a condition.
        angle = lasting.uniform(0, 2 * math.pi) if condition else seed.index * math.pi / 3
        away = ground[1] * 0.26
        return middle_x + away * math.cos(angle), middle_y + away * 0.8 * math.sin(angle)
    away = 0.0 if kind in PLATES else 0.05
    return middle_x * (1 + lasting.uniform(-away, away)), middle_y * (1 + lasting.uniform(-away, away))


def _aim_at_element(
    ground: Size, kind: str, element: int | None, condition: str | None, lasting: Random
) -> Point:
    aim = AIMS[kind]
    phase, height = aim.phase, aim.height
    if kind in {"blade", "turbine_blade", "vane"} and condition is not None:
        phase, height = AIMED_MARKS.get(condition, (phase, height))
    pitch, middle = ground[1] / aim.elements_per_height, ground[0] / 2
    nearest = round(middle / pitch - phase)
    if (element or 0) % 2 and pitch < ground[0] / 4:
        nearest += -1 if (nearest + phase) * pitch > middle else 1
    reach = 0.09 if kind == "gear" else 0.03
    return (nearest + phase) * pitch, ground[1] * (height + lasting.uniform(-reach, reach))


def _start_mark(picture: Image.Image, unit: float, lasting: Random) -> None:
    """A dab of paint on the first element."""
    at = (picture.width / 2 + unit * 4, picture.height * 0.69)
    paint = lasting.choice(((236, 226, 60), (240, 240, 236), (228, 92, 60)))
    mask = Image.new("L", picture.size, 0)
    ImageDraw.Draw(mask).polygon(blob(at, 15 * unit, lasting, 0.3), fill=215)
    picture.paste(paint, (0, 0), mask.filter(ImageFilter.GaussianBlur(1.2 * unit)))


def _reflections(picture: Image.Image, unit: float, passing: Random) -> None:
    """The lamp's own reflections: one broad, a few small where oil or a tip stands up."""
    spots = [(passing.uniform(70, 150), 0.5)] + [
        (passing.uniform(4, 18), 1.0) for _ in range(passing.randint(1, 5))
    ]
    for radius, strength in spots:
        r = max(4, round(radius * unit))
        x = round(picture.width / 2 + passing.gauss(0, 90) * unit) - r
        y = round(picture.height / 2 + passing.gauss(0, 80) * unit) - r
        # Only metal and oil throw light back, so the glow is as strong as what it falls on is bright.
        bright = picture.crop((x, y, x + 2 * r, y + 2 * r)).convert("L").point(_REFLECTED)
        picture.paste((255, 252, 240), (x, y), ImageChops.multiply(_glow(r, strength), bright))


_REFLECTED = [min(255, value * 2) for value in range(256)]


@cache
def _glow(radius: int, strength: float) -> Image.Image:
    spot = Image.radial_gradient("L").resize((2 * radius, 2 * radius))
    return spot.point([round(max(0.0, 1 - value / 180) ** 2.4 * 255 * strength) for value in range(256)])


def _through_the_scope(picture: Image.Image, seed: Shot, size: Size, passing: Random) -> Image.Image:
    """Light that falls off from the tip, the round stop of the lens, the sensor's noise."""
    tip = Random(f"tip/{seed.serial}")
    light, disc, noise = _light(size), _disc(size), _noise(size)
    slack = (light.width - size[0], light.height - size[1])
    lit = (passing.randrange(slack[0]), passing.randrange(slack[1]))
    picture = ImageChops.multiply(picture, light.crop((*lit, lit[0] + size[0], lit[1] + size[1])))
    picture = picture.point(_exposure(tip.randrange(6), passing.randrange(5)))
    eye = (disc.width - size[0]) // 2 + tip.randint(-8, 8), (disc.height - size[1]) // 2 + tip.randint(-4, 4)
    picture = ImageChops.multiply(picture, disc.crop((*eye, eye[0] + size[0], eye[1] + size[1])))
    at = (passing.randrange(noise.width - size[0]), passing.randrange(noise.height - size[1]))
    grain = noise.crop((*at, at[0] + size[0], at[1] + size[1]))
    return ImageChops.add(picture, grain, 1, -128)


@cache
def _exposure(white: int, gain: int) -> list[int]:
    """Tone curve per channel: the scope's white balance and this picture's exposure."""
    balance = (
        (1.0, 1.0, 1.0),
        (1.04, 1.0, 0.93),
        (0.95, 1.0, 1.06),
        (1.02, 1.0, 0.97),
        (0.98, 1.0, 1.03),
        (1.07, 1.0, 0.9),
    )
    lift = 1.15 + 0.12 * gain
    table = []
    for channel in balance[white]:
        table += [
            min(255, round(255 * (1 - math.exp(-1.5 * lift * channel * value / 255)) / 0.86))
            for value in range(256)
        ]
    return table


@cache
def _light(size: Size) -> Image.Image:
    """Falloff from a lamp beside the lens, larger than the picture so that its middle can move."""
    field = Image.radial_gradient("L").resize(
        (round(size[0] * 1.35), round(size[1] * 1.5)), Image.Resampling.BICUBIC
    )
    fall = field.point([round(255 * (0.20 + 0.80 / (1 + (value / 92) ** 2.6))) for value in range(256)])
    return Image.merge("RGB", (fall, fall, fall.point(lambda value: round(value * 0.97))))


@cache
def _disc(size: Size) -> Image.Image:
    """The lens's round field, larger than the picture: full inside, a soft bluish rim, dark outside."""
    span = (size[0] + 40, size[1] + 40)
    centre, radius = (span[0] / 2, span[1] / 2), size[1] * 0.56
    channels = []
    for wider in (0.0, 0.4, 1.6):
        field = Image.new("L", (2 * span[0], 2 * span[1]), 3)
        reach = radius + wider * size[1] / 480
        corners = [2 * (at + side * reach) for side in (-1, 1) for at in centre]
        ImageDraw.Draw(field).ellipse(corners, fill=255)
        channels.append(
            field.resize(span, Image.Resampling.BOX).filter(ImageFilter.GaussianBlur(size[1] / 360))
        )
    return Image.merge("RGB", channels)


@cache
def _noise(size: Size) -> Image.Image:
    """Sensor noise about mid grey, larger than the picture; fine grain plus coarser colour blotches."""
    span, rng = (size[0] + 97, size[1] + 89), Random("sensor")
    channels = []
    common = static(span, rng)
    for _ in range(3):
        fine = Image.blend(common, static(span, rng), 0.5)
        blotch = Image.blend(fine, static(span, rng, (3, 3)), 0.35)
        channels.append(blotch.point([round(128 + (value - 128) * NOISE) for value in range(256)]))
    return Image.merge("RGB", channels)

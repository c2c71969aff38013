"""Large textured surfaces of machine insides, drawn once per kind and cut up by the picture generator.

A surface is bigger than a picture, so that element, reach and tip angle choose what part of it is seen.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from random import Random

from PIL import Image, ImageChops, ImageDraw, ImageFilter

from seed.textures import Colour, Size, across, cloud, faded, metal, relief, stained, static, with_grain

# A surface is this many times the picture in both directions.
OVERSIZE = 1.5


def gear_teeth(size: Size, rng: Random) -> Image.Image:
    """A row of teeth seen along their length, near end at the bottom: lands, flanks, roots, end faces."""
    pitch = size[1] / 3.1
    shade = across(size, lambda x: _tooth_light((x / pitch) % 1.0), rng, 0.05)
    shade = with_grain(shade, faded(static(size, rng, (2, 260)), 0.16))
    shade = with_grain(shade, faded(relief(static(size, rng, (2, 2))), 0.10))
    shade = with_grain(shade, faded(cloud(size, rng, 90), 0.14))
    _worn_bands(shade, pitch, rng)
    picture = metal(shade, (8, 7, 8), (104, 104, 102), (246, 246, 236))
    picture = stained(picture, (232, 176, 84), cloud(size, rng, 220), 0.62)
    return _tooth_ends(picture, pitch, rng)


def _tooth_light(phase: float) -> float:
    """Light over one pitch: root, loaded flank, tip land, far flank in shadow."""
    if phase < 0.13:
        return 0.07 + 0.16 * (phase / 0.13) ** 2
    if phase < 0.50:
        along = (phase - 0.13) / 0.37
        return 0.30 + 0.20 * along + 0.34 * math.exp(-(((along - 0.42) / 0.13) ** 2))
    if phase < 0.53:
        return 0.95
    if phase < 0.73:
        return 0.55 + 0.10 * math.sin((phase - 0.53) * 15)
    if phase < 0.75:
        return 0.82
    return 0.26 - 0.20 * (phase - 0.75) / 0.25


def _worn_bands(shade: Image.Image, pitch: float, rng: Random) -> None:
    """The contact track: a dull stripe along each loaded flank, a little different on every tooth."""
    draw = ImageDraw.Draw(shade, "L")
    for tooth in range(round(shade.width / pitch) + 1):
        left = tooth * pitch + pitch * rng.uniform(0.20, 0.26)
        draw.line([(left, 0), (left + rng.uniform(-4, 4), shade.height)], fill=rng.randint(70, 100), width=2)


TOOTH_END = [
    (-0.12, 0.66), (0.10, 0.60), (0.19, 0.50), (0.28, 0.36), (0.36, 0.20), (0.41, 0.08), (0.45, 0.01),
    (0.50, 0.0), (0.75, 0.0),
    (0.79, 0.01), (0.83, 0.08), (0.88, 0.20), (0.95, 0.36), (1.02, 0.50), (1.10, 0.60), (1.30, 0.66),
]  # fmt: skip


def _tooth_ends(picture: Image.Image, pitch: float, rng: Random) -> Image.Image:
    """Tooth end faces along the lower edge, with the dark tooth spaces between them."""
    width, height = picture.size
    edge = height * 0.80
    face = metal(
        with_grain(Image.new("L", picture.size, 108), faded(static(picture.size, rng, (90, 1)), 0.16)),
        (14, 13, 12), (120, 116, 108), (232, 228, 214),
    )  # fmt: skip
    face = stained(face, (214, 160, 80), cloud(picture.size, rng, 160), 0.7)
    mask, gap = Image.new("L", picture.size, 0), Image.new("L", picture.size, 0)
    draw, spaces = ImageDraw.Draw(mask), ImageDraw.Draw(gap)
    spaces.rectangle((0, edge, width, height), fill=255)
    draw.rectangle((0, edge + pitch * 0.62, width, height), fill=255)
    for tooth in range(-1, round(width / pitch) + 2):
        left = tooth * pitch
        outline = [(left + pitch * share, edge + pitch * drop) for share, drop in TOOTH_END]
        draw.polygon(outline, fill=255)
    dark = picture.point([round(value * 0.13) for value in range(256)] * 3)
    picture = Image.composite(dark, picture, gap.filter(ImageFilter.GaussianBlur(1.2)))
    rim = mask.filter(ImageFilter.FIND_EDGES).filter(ImageFilter.GaussianBlur(1.1))
    picture = Image.composite(face, picture, mask.filter(ImageFilter.GaussianBlur(1)))
    return ImageChops.add(picture, Image.merge("RGB", (rim, rim, rim)).point(lambda value: value * 0.7))


def rollers(size: Size, rng: Random) -> Image.Image:
    """Rollers side by side in a brass cage, raceway above and below."""
    width, height = size
    pitch = size[1] / 3.4
    shade = across(size, lambda x: _roller_light((x / pitch) % 1.0), rng, 0.03)
    shade = with_grain(shade, faded(static(size, rng, (300, 1)), 0.10))
    shade = with_grain(shade, faded(cloud(size, rng, 70), 0.08))
    steel = metal(shade, (4, 4, 6), (112, 114, 118), (255, 255, 250))
    raceway = with_grain(across(size, lambda x: 0.30, rng, 0.06), faded(static(size, rng, (300, 1)), 0.22))
    picture = metal(raceway, (6, 6, 8), (96, 96, 96), (240, 238, 230))
    brass = metal(
        with_grain(Image.new("L", size, 120), faded(cloud(size, rng, 50), 0.5)),
        (26, 16, 6), (168, 124, 58), (255, 232, 168),
    )  # fmt: skip
    cage, body = Image.new("L", size, 0), Image.new("L", size, 0)
    bars, drums = ImageDraw.Draw(cage), ImageDraw.Draw(body)
    top, bottom = height * 0.20, height * 0.80
    bars.rectangle((0, top - pitch * 0.26, width, top - pitch * 0.02), fill=255)
    bars.rectangle((0, bottom + pitch * 0.02, width, bottom + pitch * 0.26), fill=255)
    for roller in range(-1, round(width / pitch) + 2):
        left = roller * pitch
        bars.rectangle((left - pitch * 0.06, top, left + pitch * 0.06, bottom), fill=255)
        corners = (left + pitch * 0.08, top + 2, left + pitch * 0.92, bottom - 2)
        drums.rounded_rectangle(corners, radius=pitch * 0.07, fill=255)
    shadow = cage.filter(ImageFilter.GaussianBlur(pitch * 0.08))
    dark = picture.point([round(value * 0.12) for value in range(256)] * 3)
    middle = Image.new("L", size, 0)
    ImageDraw.Draw(middle).rectangle((0, top, width, bottom), fill=255)
    picture = Image.composite(dark, picture, ImageChops.lighter(shadow, middle))
    picture = Image.composite(brass, picture, cage.filter(ImageFilter.GaussianBlur(1)))
    picture = Image.composite(steel, picture, body.filter(ImageFilter.GaussianBlur(1)))
    rim = relief(cage.filter(ImageFilter.GaussianBlur(3)), 5.0)
    picture = ImageChops.add(picture, Image.merge("RGB", (rim, rim, rim)), 1, -128)
    return stained(picture, (236, 190, 104), cloud(size, rng, 200), 0.55)


def _roller_light(phase: float) -> float:
    """Light round a polished cylinder: dark limbs, one sharp and one soft reflection."""
    across_drum = (phase - 0.5) / 0.42
    if abs(across_drum) >= 1:
        return 0.02
    body = 0.12 + 0.36 * math.sqrt(1 - across_drum**2)
    glint = 0.66 * math.exp(-(((across_drum + 0.24) / 0.07) ** 2))
    return body + glint + 0.20 * math.exp(-(((across_drum - 0.52) / 0.16) ** 2))


def compressor_blades(size: Size, rng: Random) -> Image.Image:
    """Aerofoils standing on a hub, seen from the front and a little to one side."""
    return _aerofoils(size, rng, 3.3, ((10, 11, 12), (118, 122, 124), (250, 252, 250)), (196, 168, 128), 0)


def turbine_blades(size: Size, rng: Random) -> Image.Image:
    """Coated turbine aerofoils with cooling holes by the leading edge and heat stains."""
    return _aerofoils(size, rng, 2.5, ((16, 11, 8), (150, 128, 102), (255, 244, 220)), (206, 120, 66), 9)


def nozzle_vanes(size: Size, rng: Random) -> Image.Image:
    """Wide fixed vanes between two end walls."""
    return _aerofoils(size, rng, 1.9, ((14, 12, 10), (146, 136, 120), (255, 248, 232)), (172, 124, 88), 12)


def _aerofoils(
    size: Size,
    rng: Random,
    across_height: float,
    tones: tuple[Colour, Colour, Colour],
    stain: Colour,
    holes: int,
) -> Image.Image:
    width, height = size
    pitch = height / across_height
    floor, ceiling = height * 0.83, height * 0.13
    ground = with_grain(Image.new("L", size, 58), faded(static(size, rng, (220, 2)), 0.22))
    picture = metal(ground, *tones)
    depth = Image.new("L", size, 0)
    ImageDraw.Draw(depth).rectangle((0, ceiling, width, floor), fill=255)
    gloom = picture.point([round(value * 0.3) for value in range(256)] * 3)
    picture = Image.composite(gloom, picture, depth.filter(ImageFilter.GaussianBlur(6)))
    skin = with_grain(
        with_grain(Image.new("L", size, 120), faded(static(size, rng, (2, 180)), 0.12)),
        faded(cloud(size, rng, 130), 0.22),
    )
    for blade in range(-1, round(width / pitch) + 2):
        outline = _blade_outline(blade * pitch, pitch, floor, ceiling)
        picture = _one_blade(picture, skin, outline, pitch, tones, holes, rng)
    return stained(picture, stain, cloud(size, rng, 180), 0.75)


def _blade_outline(left: float, pitch: float, floor: float, ceiling: float) -> list[tuple[float, float]]:
    """Leading edge upwards, tip, trailing edge downwards; the aerofoil leans and twists towards its tip."""
    steps = [step / 10 for step in range(11)]
    lead = [(left + pitch * (0.30 - 0.20 * s + 0.10 * s * s), floor + (ceiling - floor) * s) for s in steps]
    trail = [
        (left + pitch * (0.92 - 0.10 * s - 0.06 * s * s), floor + 8 + (ceiling - floor + 10) * s)
        for s in reversed(steps)
    ]
    return lead + trail


def _one_blade(
    picture: Image.Image, skin: Image.Image, outline: list[tuple[float, float]], pitch: float,
    tones: tuple[Colour, Colour, Colour], holes: int, rng: Random,
) -> Image.Image:  # fmt: skip
    """One aerofoil over the picture: rounded leading edge, hollow side darkening to the trailing edge."""
    margin = 14
    xs, ys = [x for x, _ in outline], [y for _, y in outline]
    box = (int(min(xs)) - margin, int(min(ys)) - margin, int(max(xs)) + margin, int(max(ys)) + margin)
    area = (box[2] - box[0], box[3] - box[1])
    local = [(x - box[0], y - box[1]) for x, y in outline]
    mask = Image.new("L", area, 0)
    ImageDraw.Draw(mask).polygon(local, fill=255)
    tone = rng.uniform(0.9, 1.08)
    light = Image.new("L", area, 0)
    edge = ImageDraw.Draw(light)
    lead, trail = local[:11], list(reversed(local[11:]))
    for band in range(48):
        share = band / 47
        level = (
            0.42
            - 0.26 * share
            + 0.42 * math.exp(-((share / 0.05) ** 2))
            + 0.16 * math.exp(-(((share - 0.3) / 0.16) ** 2))
        )
        line = [
            (a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share)
            for a, b in zip(lead, trail, strict=True)
        ]
        edge.line(line, fill=min(255, round(255 * level * tone)), width=max(3, round(pitch / 40)))
    offset = (rng.randrange(max(1, skin.width - area[0])), rng.randrange(max(1, skin.height - area[1])))
    patch = skin.crop((*offset, offset[0] + area[0], offset[1] + area[1]))
    blade = metal(with_grain(light.filter(ImageFilter.GaussianBlur(2)), patch.point(lambda v: v + 8)), *tones)
    _cooling_holes(blade, lead, trail, holes, pitch)
    shade = mask.filter(ImageFilter.GaussianBlur(8)).point([round(value * 0.55) for value in range(256)])
    picture.paste((3, 3, 3), (box[0] - 9, box[1] + 4), shade)
    picture.paste(blade, box[:2], mask.filter(ImageFilter.GaussianBlur(1)))
    return picture


def _cooling_holes(
    blade: Image.Image,
    lead: list[tuple[float, float]],
    trail: list[tuple[float, float]],
    holes: int,
    pitch: float,
) -> None:
    draw = ImageDraw.Draw(blade)
    radius = pitch * 0.016
    for row, share in enumerate((0.10, 0.24, 0.80) if holes else ()):
        for hole in range(holes):
            at = (hole + 0.7 + 0.4 * (row % 2)) / (holes + 0.8) * 10
            low, part = min(9, int(at)), at - min(9, int(at))
            a = lead[low][0] + (lead[low + 1][0] - lead[low][0]) * part
            b = trail[low][0] + (trail[low + 1][0] - trail[low][0]) * part
            y = lead[low][1] + (lead[low + 1][1] - lead[low][1]) * part
            x = a + (b - a) * share
            draw.ellipse((x - radius, y - radius * 1.4, x + radius, y + radius * 1.4), fill=(8, 6, 5))
            draw.arc(
                (x - radius, y - radius * 1.4, x + radius, y + radius * 1.4), 20, 150, fill=(206, 190, 160)
            )


def shroud_segments(size: Size, rng: Random) -> Image.Image:
    """Curved plates with seal gaps between, rubbed in a band."""
    pitch = size[1] / 1.9
    shade = across(
        size, lambda x: 0.06 if (x / pitch) % 1 < 0.018 else 0.40 + 0.08 * math.sin(x / pitch), rng, 0.05
    )
    shade = with_grain(shade, faded(static(size, rng, (260, 2)), 0.20))
    shade = with_grain(shade, faded(relief(static(size, rng, (3, 3))), 0.14))
    band = Image.new("L", size, 0)
    ImageDraw.Draw(band).rectangle((0, size[1] * 0.40, size[0], size[1] * 0.62), fill=90)
    lines = ImageChops.multiply(band.filter(ImageFilter.GaussianBlur(14)), static(size, rng, (420, 1)))
    shade = ImageChops.add(shade, lines)
    picture = metal(shade, (14, 10, 8), (140, 122, 100), (252, 240, 216))
    return stained(picture, (150, 98, 60), cloud(size, rng, 200), 0.75)


def liner(size: Size, rng: Random) -> Image.Image:
    """The inside of a combustor: rings going away, rows of small holes, a few large ones, dark outlet."""
    ground = with_grain(Image.new("L", size, 132), faded(cloud(size, rng, 120), 0.42))
    picture = metal(ground, (22, 15, 10), (170, 150, 122), (255, 246, 226))
    picture = stained(picture, (120, 72, 44), cloud(size, rng, 170), 0.95)
    draw = ImageDraw.Draw(picture)
    cx, cy = size[0] * 0.52, size[1] * 0.48
    for ring in range(9):
        radius = size[1] * 0.66 * 0.78**ring
        _liner_ring(picture, draw, (cx, cy), radius, ring, rng)
    return picture


def _liner_ring(
    picture: Image.Image,
    draw: ImageDraw.ImageDraw,
    centre: tuple[float, float],
    radius: float,
    ring: int,
    rng: Random,
) -> None:
    cx, cy = centre
    box = (cx - radius, cy - radius, cx + radius, cy + radius)
    veil = Image.new("L", picture.size, 0)
    ImageDraw.Draw(veil).ellipse(box, fill=46)
    picture.paste((10, 6, 4), (0, 0), veil.filter(ImageFilter.GaussianBlur(radius * 0.03 + 1)))
    draw.ellipse(box, outline=(26, 18, 12), width=max(2, round(radius / 40)))
    lit = radius * 0.985
    draw.arc(
        (cx - lit, cy - lit, cx + lit, cy + lit),
        20,
        200,
        fill=(214, 196, 166),
        width=max(1, round(radius / 90)),
    )
    count, size = (10, 0.075) if ring in {3, 5} else (54, 0.012)
    where = radius * 0.90
    for hole in range(count):
        angle = 2 * math.pi * (hole + 0.5 * (ring % 2)) / count
        x, y, r = cx + where * math.cos(angle), cy + where * math.sin(angle), radius * size
        draw.ellipse((x - r, y - r, x + r, y + r), fill=(7, 5, 4))
        draw.arc((x - r, y - r, x + r, y + r), 0, 150, fill=(204, 184, 152), width=max(1, round(r / 6)))
    if ring == 8:
        draw.ellipse(box, fill=(6, 4, 3))


def bore(size: Size, rng: Random) -> Image.Image:
    """Down a bored housing into the oil: turning marks, a step, the oil level and a plug at the bottom."""
    ground = with_grain(Image.new("L", size, 112), faded(cloud(size, rng, 90), 0.26))
    picture = metal(ground, (10, 9, 8), (118, 112, 102), (244, 240, 226))
    draw = ImageDraw.Draw(picture)
    cx, cy = size[0] * 0.5, size[1] * 0.5
    radius, fall = size[1] * 0.78, 0
    while radius > size[1] * 0.24:
        tone = max(14, round(150 - fall * 1.5 + rng.uniform(-26, 26)))
        draw.ellipse(
            (cx - radius, cy - radius, cx + radius, cy + radius), outline=(tone, tone - 3, tone - 10), width=2
        )
        radius, fall = radius * 0.985 - 0.6, fall + 1
    picture = Image.blend(picture, metal(ground, (10, 9, 8), (118, 112, 102), (244, 240, 226)), 0.35)
    _oil_pool(picture, (cx, cy), size[1] * 0.25, rng)
    return stained(picture, (230, 172, 78), cloud(size, rng, 150), 0.7)


def _oil_pool(picture: Image.Image, centre: tuple[float, float], radius: float, rng: Random) -> None:
    cx, cy = centre
    pool = Image.new("L", picture.size, 0)
    ImageDraw.Draw(pool).ellipse((cx - radius, cy - radius, cx + radius, cy + radius), fill=255)
    oil = metal(faded(cloud(picture.size, rng, 200), 0.5), (20, 10, 2), (96, 56, 14), (250, 206, 110))
    picture.paste(oil, (0, 0), pool.filter(ImageFilter.GaussianBlur(2)))
    draw = ImageDraw.Draw(picture)
    plug = radius * 0.42
    draw.ellipse(
        (cx - plug, cy - plug, cx + plug, cy + plug), fill=(44, 40, 36), outline=(150, 140, 120), width=3
    )
    for _ in range(420):
        angle, reach = rng.uniform(0, 2 * math.pi), plug * rng.uniform(0.55, 1.12)
        x, y = cx + reach * math.cos(angle), cy + reach * math.sin(angle)
        tone = rng.randint(20, 120)
        draw.line((x, y, x + rng.uniform(-5, 5), y + rng.uniform(-5, 5)), fill=(tone, tone, tone), width=1)


def spray_bar(size: Size, rng: Random) -> Image.Image:
    """An oil spray bar with its jets across a cast wall."""
    ground = with_grain(faded(cloud(size, rng, 110), 0.35), faded(relief(static(size, rng, (4, 4))), 0.35))
    picture = metal(ground.point(lambda value: value * 0.55), (8, 8, 8), (90, 88, 84), (220, 216, 204))
    top, bottom = size[1] * 0.36, size[1] * 0.58
    pipe = Image.new("L", (1, size[1]))
    pipe.putdata([round(255 * _pipe_light((y - top) / (bottom - top))) for y in range(size[1])])
    drum = with_grain(pipe.resize(size), faded(static(size, rng, (300, 1)), 0.10))
    mask = Image.new("L", size, 0)
    ImageDraw.Draw(mask).rectangle((0, top, size[0], bottom), fill=255)
    picture.paste(
        (2, 2, 2), (0, 26), mask.filter(ImageFilter.GaussianBlur(16)).point(lambda value: value * 0.8)
    )
    picture.paste(
        metal(drum, (8, 7, 6), (120, 118, 112), (255, 252, 240)),
        (0, 0),
        mask.filter(ImageFilter.GaussianBlur(1)),
    )
    draw = ImageDraw.Draw(picture)
    for jet in range(7):
        x, y, r = (jet + 0.5) * size[0] / 7, bottom - size[1] * 0.055, size[1] * 0.026
        draw.ellipse((x - r, y - r, x + r, y + r), fill=(66, 62, 56), outline=(190, 184, 168), width=2)
        draw.ellipse((x - r / 3, y - r / 3, x + r / 3, y + r / 3), fill=(4, 4, 4))
    return stained(picture, (232, 178, 88), cloud(size, rng, 150), 0.7)


def _pipe_light(share: float) -> float:
    if not 0 < share < 1:
        return 0.0
    return 0.16 + 0.34 * math.sin(math.pi * share) + 0.5 * math.exp(-(((share - 0.33) / 0.06) ** 2))


SURFACES: dict[str, Callable[[Size, Random], Image.Image]] = {
    "gear": gear_teeth,
    "roller": rollers,
    "blade": compressor_blades,
    "turbine_blade": turbine_blades,
    "vane": nozzle_vanes,
    "segment": shroud_segments,
    "liner": liner,
    "bore": bore,
    "spray_bar": spray_bar,
}

VARIANTS = 3


@cache
def surface(kind: str, variant: int, picture_size: Size) -> Image.Image:
    """The surface a picture of this kind and size is cut from; never to be drawn on."""
    size = (round(picture_size[0] * OVERSIZE), round(picture_size[1] * OVERSIZE))
    return SURFACES[kind](size, Random(f"surface/{kind}/{variant}"))

"""Finds the square patterns by which a slate shows even where its code cannot be read. Pure.

A finder pattern of a QR code and an alignment pattern of the frame around it (ISO/IEC 18004) are squares
within squares: on every line through the middle the runs from edge to edge are 1:1:3:1:1 or 1:1:1:1:1,
however the view turns, tilts or shrinks them. So lines are looked at first, which is cheap, and only what
holds in several directions is laid over the pattern itself. What must agree in the end:

- the runs, in at least `LEAST_RAYS` of 16 directions from the middle;
- the grey values, with the pattern as it would look under the affine view that the outer edge tells;
- the outer edge, with a square: round holes, bolts and washers have rings, but no corners.

All sizes are looked for at once, in one picture that holds the view and its halves side by side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFilter

Floats = NDArray[np.floating[Any]]
Whole = NDArray[np.integer[Any]]
Truths = NDArray[np.bool_]
Relief = NDArray[np.int16]

# Pixels: the long side of the largest view looked at, the short side of the smallest.
LONGEST_SIDE, SHORTEST_SIDE = 560, 60
# Bounds of the work whatever the picture shows; ordinary pictures have some hundred and some ten of them.
MOST_CROSSINGS, MOST_CANDIDATES = 4000, 400
# Widths in modules, where a module is half of gap and ring: nominal 1 and 0.5 or 1.5, less where light
# spreads, more where it lacks.
RING, HALF_CORE = (0.35, 1.5), (0.12, 1.95)
SMALLEST_MODULE, LARGEST_MODULE = 1.2, 40.0
# Of 4 diagonal rays, then of 16.
LEAST_DIAGONALS, LEAST_RAYS = 3, 9
# Correlation with the pattern, and how much of a square (0.14 by calculation; a circle has 0) the edge has.
# tests/bench/slates.py measures both: drawn surfaces reach 0.54, whatever their edge.
ALIKE, SQUARE = 0.75, 0.07

_ANGLES = np.arange(16) * (2 * math.pi / 16)
_COS, _SIN = np.cos(_ANGLES).astype(np.float32), np.sin(_ANGLES).astype(np.float32)
_DIAGONALS = slice(2, None, 4)
# Modules from the middle at which a ray looks: out to the edge of a finder pattern twice as long as wide.
_STEP = 0.25
_STEPS = np.arange(0, 7, _STEP, dtype=np.float32)


@dataclass(frozen=True, slots=True)
class Pattern:
    """Middle and module in pixels of the picture that was given; `alike`: correlation with the pattern."""

    x: float
    y: float
    module: float
    alike: float


def find_patterns(grey: Image.Image) -> list[Pattern]:
    """What a grey picture (mode L) shows of them, the most alike first; none twice."""
    views = _Views.of(grey)
    y, x, module = _crossings(views.dark)
    candidate = _agreeing(_edges(views.dark, y, x, module, _DIAGONALS), LEAST_DIAGONALS)
    candidate = candidate[np.argsort(-module[candidate])][:MOST_CANDIDATES]
    y, x, module = y[candidate], x[candidate], module[candidate]
    edges = _edges(views.dark, y, x, module, slice(None))
    whole = _agreeing(edges, LEAST_RAYS)
    y, x, edges = y[whole], x[whole], edges[:, whole]
    affine, square = _affine(edges[2])
    core, gap = _mean(edges[0] / edges[2]), _mean(edges[1] / edges[2])
    alike = _alike(views.relief, y, x, affine, core, gap)
    found = np.flatnonzero((alike >= ALIKE) & (square >= SQUARE))
    module = np.sqrt(np.abs(np.linalg.det(affine))) * (1 - core) / 2
    return _once([views.pattern(x[at], y[at], module[at], alike[at]) for at in found])


def _mean(values: Floats) -> Floats:
    """Over the rays that have one."""
    known = np.isfinite(values)
    return np.asarray(np.where(known, values, 0).sum(-1) / np.maximum(1, known.sum(-1)), np.float32)


def _once(patterns: list[Pattern]) -> list[Pattern]:
    kept: list[Pattern] = []
    for pattern in sorted(patterns, key=lambda pattern: -pattern.alike):
        if all(math.hypot(pattern.x - other.x, pattern.y - other.y) > 2 * other.module for other in kept):
            kept.append(pattern)
    return kept


# Views of one picture in several sizes


@dataclass(frozen=True)
class _Views:
    """What stands out in them, what is darker than the noise explains, and where each view lies: left, top,
    pixels of the picture per pixel."""

    relief: Relief
    dark: Truths
    places: list[tuple[int, int, int]]

    @classmethod
    def of(cls, picture: Image.Image) -> _Views:
        factor = -(-max(picture.size) // LONGEST_SIDE)
        view = picture.reduce(factor) if factor > 1 else picture
        width, height = view.size
        # The largest at the left, the others under each other at its right.
        relief = np.zeros((height + height // 8, width + width // 2 + 2), np.int16)
        dark = np.zeros(relief.shape, np.bool_)
        places: list[tuple[int, int, int]] = []
        left = top = 0
        while not places or min(view.size) >= SHORTEST_SIDE:
            here = slice(top, top + view.height), slice(left, left + view.width)
            relief[here] = _relief(view)
            dark[here] = relief[here] < -1.5 * _noise(relief[here]) - 0.5
            places.append((left, top, factor))
            left, top = width + 1, top + view.height + 1 if left else 0
            view, factor = view.reduce(2), factor * 2
        return cls(relief, dark, places)

    def pattern(self, x: float, y: float, module: float, alike: float) -> Pattern:
        left, top, factor = next(at for at in reversed(self.places) if x >= at[0] and y >= at[1])
        return Pattern(
            float((x - left) * factor), float((y - top) * factor), float(module * factor), float(alike)
        )


def _relief(view: Image.Image) -> Relief:
    """How much brighter each pixel is than what surrounds it: no matter how light falls."""
    around = view.reduce(4).filter(ImageFilter.BoxBlur(3)).resize(view.size, Image.Resampling.BILINEAR)
    return np.asarray(view, np.int16) - np.asarray(around, np.int16)


def _noise(relief: Relief) -> float:
    """Its standard deviation, from the median of second differences along rows."""
    rows = relief[::4]
    differences = np.abs(2 * rows[:, 1:-1] - rows[:, :-2] - rows[:, 2:])
    below = np.cumsum(np.bincount(differences.ravel()))
    return float(np.searchsorted(below, differences.size / 2)) / (0.6745 * math.sqrt(6))


# Runs along rows and columns


def _crossings(dark: Truths) -> tuple[Floats, Floats, Floats]:
    """y, x and module where a row and a column with the pattern's runs meet in the middle of both."""
    height, width = dark.shape
    in_rows, across = _middles(dark)
    in_columns, along = _middles(np.ascontiguousarray(dark.T))
    wide = width + 2
    upright = np.zeros((height + 2) * wide, np.float32)
    upright[(in_columns % height + 1) * wide + in_columns // height + 1] = along
    y, x = in_rows // width, in_rows % width
    near = np.array([down * wide + right for down in (-1, 0, 1) for right in (-1, 0, 1)], np.int32)
    along = upright[((y + 1) * wide + x + 1)[:, None] + near].max(1)
    meets = np.flatnonzero((along > 0.4 * across) & (across > 0.4 * along))
    module = np.sqrt(along[meets] * across[meets])
    if len(meets) > MOST_CROSSINGS:
        largest = np.argsort(-module)[:MOST_CROSSINGS]
        meets, module = meets[largest], module[largest]
    return y[meets].astype(np.float32), x[meets].astype(np.float32), module


def _middles(dark: Truths) -> tuple[Whole, Floats]:
    """Index of the middle pixel, and module, of all that has the pattern's five runs along a row."""
    edges = np.flatnonzero(dark.ravel()[1:] != dark.ravel()[:-1]).astype(np.int32)
    if len(edges) and not dark.ravel()[edges[0] + 1]:
        edges = edges[1:]
    # Runs begin at every second edge: those are dark.
    count = max(0, (len(edges) - 4) // 2)
    lengths = np.diff(edges)
    five = [lengths[at : at + 2 * count : 2][:count] for at in range(5)]
    first = np.flatnonzero(np.abs(five[1] - five[3]) * 5 <= 4 * np.minimum(five[1], five[3]) + 6)
    outer, gap, core, gap_after, outer_after = (run[first].astype(np.float32) for run in five)
    module = (outer + gap + gap_after + outer_after) / 4
    right = (module >= SMALLEST_MODULE) & (module < LARGEST_MODULE)
    right &= _equal(outer, outer_after, module) & _equal(gap, gap_after, module)
    right &= _right(core / 2, (outer + outer_after) / 2, module)
    start = 2 * first
    right &= edges[start] // dark.shape[1] == edges[start + 5] // dark.shape[1]
    start = start[right]
    return (edges[start + 2] + edges[start + 3] + 1) // 2, module[right]


def _equal(run: Floats, other: Floats, module: Floats) -> Truths:
    return np.asarray(np.abs(run - other) <= 0.4 * module + 0.6)


def _right(half_core: Floats, ring: Floats, module: Floats) -> Truths:
    """Whether core and ring have widths of a pattern of this module. Light that spreads takes from both what
    it gives to the gap between them."""
    ring_is = (ring >= RING[0] * module - 0.5) & (ring <= RING[1] * module + 0.5)
    return np.asarray(
        ring_is & (half_core >= HALF_CORE[0] * module - 0.3) & (half_core <= HALF_CORE[1] * module + 0.5)
    )


# Runs along rays from the middle


def _edges(dark: Truths, y: Floats, x: Floats, module: Floats, rays: slice) -> Floats:
    """Distances in pixels at which core, gap and ring end along each ray: by kind, candidate and ray; NaN
    where the runs are not the pattern's."""
    height, width = dark.shape
    steps = _STEPS * module[:, None, None]
    right = (x[:, None, None] + 0.5 + steps * _COS[rays, None]).astype(np.int32).clip(0, width - 1)
    down = (y[:, None, None] + 0.5 + steps * _SIN[rays, None]).astype(np.int32).clip(0, height - 1)
    seen = dark.ravel()[down * width + right]
    at = np.arange(len(_STEPS))
    core_ends = _first(~seen)
    gap_ends = _first(seen & (at > core_ends[..., None]))
    ring_ends = _first(~seen & (at > gap_ends[..., None]))
    edges = (np.stack([core_ends, gap_ends, ring_ends]) - 0.5) * _STEP * module[:, None]
    core, gap, ring = edges.astype(np.float32)
    wrong = (core_ends == 0) | (ring_ends == len(at)) | ~_right(core, ring - gap, (ring - core) / 2)
    return np.where(wrong, np.float32(np.nan), np.stack([core, gap, ring]))


def _first(true: Truths) -> Whole:
    """Index of the first along the last axis; its length where there is none."""
    return np.asarray(np.where(true.any(-1), true.argmax(-1), true.shape[-1]))


def _agreeing(edges: Floats, least: int) -> Whole:
    return np.flatnonzero(np.isfinite(edges[2]).sum(1) >= least)


# The affine view of a square, and the grey values under it

# Least squares of 1/edge^2 over cos^2, 2 cos sin, sin^2: the ellipse that the outer edge is nearest to.
_FIT = np.linalg.pinv(np.stack([_COS * _COS, 2 * _COS * _SIN, _SIN * _SIN], 1)).astype(np.float32)
# That of a square of half side 1 is a circle with this radius: the mean of 1/edge^2 is 1/2 + 1/pi.
_CIRCLE = 1 / math.sqrt(0.5 + 1 / math.pi)


def _affine(edge: Floats) -> tuple[Floats, Floats]:
    """For each candidate the 2 x 2 matrix that takes a square of half side 1 to its outer edge, and how
    much of a square the edge has. An edge that is missing is that of the ray across."""
    known = np.isfinite(edge)
    mean = _mean(edge)[:, None]
    across = np.roll(edge, 8, axis=1)
    filled = np.where(known, edge, np.where(np.isfinite(across), across, mean)).clip(0.45 * mean, 2.2 * mean)
    xx, xy, yy = np.einsum("nr,kr->kn", 1 / (filled * filled), _FIT)
    middle, spread = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    turn = np.arctan2(2 * xy, xx - yy) / 2
    cos, sin = np.cos(turn), np.sin(turn)
    short = 1 / np.sqrt(middle + spread)
    long = 1 / np.sqrt(np.maximum(middle - spread, 0.08 * (middle + spread)))
    # The edge as it would be if the ellipse were a circle: a square then has a fourth harmonic.
    point = filled * (
        (cos[:, None] * _COS + sin[:, None] * _SIN) / short[:, None]
        + 1j * (cos[:, None] * _SIN - sin[:, None] * _COS) / long[:, None]
    )
    power = point * point
    radius = np.abs(power)
    harmonic = (power * power / radius).sum(1) / radius.sum(1)
    corner = np.angle(-harmonic) / 4
    turned, raised = np.cos(corner), np.sin(corner)
    rows = [
        [cos * short * turned - sin * long * raised, -cos * short * raised - sin * long * turned],
        [sin * short * turned + cos * long * raised, -sin * short * raised + cos * long * turned],
    ]
    matrix = np.stack([np.stack(row, 1) for row in rows], 1) / _CIRCLE
    return matrix.astype(np.float32), np.abs(harmonic).astype(np.float32)


# x and y of the points that are compared, in half sides of the outer edge, with some light around it.
_LINE = np.linspace(-1.22, 1.22, 13)
_X, _Y = (axis.ravel().astype(np.float32) for axis in np.meshgrid(_LINE, _LINE))
_AWAY = np.maximum(np.abs(_X), np.abs(_Y))


def _alike(relief: Relief, y: Floats, x: Floats, affine: Floats, core: Floats, gap: Floats) -> Floats:
    """Correlation of the relief with a square in a square, core and gap ending at such shares of the
    outer edge; softened, as every view is."""
    height, width = relief.shape
    at_x = x[:, None] + 0.5 + affine[:, 0, 0, None] * _X + affine[:, 0, 1, None] * _Y
    at_y = y[:, None] + 0.5 + affine[:, 1, 0, None] * _X + affine[:, 1, 1, None] * _Y
    seen = relief[at_y.astype(np.int32).clip(0, height - 1), at_x.astype(np.int32).clip(0, width - 1)]
    wanted = _light(core[:, None]) - _light(gap[:, None]) + _light(np.ones((len(x), 1), np.float32))
    seen, wanted = (values - values.mean(1, keepdims=True) for values in (seen.astype(np.float32), wanted))
    norm = np.sqrt((seen * seen).sum(1) * (wanted * wanted).sum(1) + 1e-3)
    return np.asarray((seen * wanted).sum(1) / norm)


def _light(end: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp((end - _AWAY) / 0.05)))

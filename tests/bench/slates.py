"""What slates come to when they are cut off, blurred, burnt out, small, tilted, noisy or packed hard.

Each sequence is a flat card: a whole slate of A and a picture, a bad slate of B and two pictures, a whole
slate of C and a picture. Each file is decoded and looked at, and all are placed as a card's files are. What
follows the bad slate is then at B (read), unplaced with a reason (half-read), or at A: at a wrong place
without a word. Beside it: how often drawn surfaces, hardware and noise pass for a slate, and what a look
costs.

Views and surfaces are drawn (tests/agent/slate_views.py, seed/pictures.py): nothing here proves a real scope.
"""

from __future__ import annotations

import io
import math
import os
import random
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Any
from uuid import UUID

import zxingcpp
from PIL import Image

from agent.slates.code import NONE, Codes, Slate
from agent.slates.finding import find_codes
from agent.slates.rules import Job, Placing, Shot, place
from seed.marks import MARKS
from seed.pictures import KINDS, draw
from seed.pictures import Shot as Scene
from tests.agent import hardware_views
from tests.agent.slate_views import View, seen
from tests.bench.figures import Figure, in_turn, seconds
from tests.bench.ground import Ground

# What a look is compared with, zxing-cpp alone, comes with the agent.
TOOLS = ()
INSPECTION = UUID("01920000-0000-7000-8000-000000000001")
A, B, C = "KG.1.SUN", "KG.1.RING", "KG.1.RES"
JOB = Job(INSPECTION, frozenset({A, B, C}))
READ, HALF_READ, WRONG = "read", "half-read", "wrong place"
TO_A_ROW, AT_THE_EDGE, TOGETHER, PLAIN = 60, 160, 600, 1000


@dataclass(frozen=True)
class Row:
    """One strength of one thing that is wrong with a slate. `value` None: several things at once.

    `promised`: inside the envelope that the README states.
    """

    what: str
    value: float | None
    promised: bool = True

    def __str__(self) -> str:
        return f"{self.what:28} {'' if self.value is None else format(self.value, 'g'):>6}"


# What, what it does to a view, strengths inside the envelope, strengths beyond it.
FACTORS: dict[str, tuple[str, tuple[float, ...], tuple[float, ...]]] = {
    "cut off, share of the code": ("cut", (0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6), (0.7, 0.8, 0.9, 1)),
    "blur, % of the height": ("blur", (0.2, 0.4, 0.6, 0.8), (1.0, 1.2, 1.6, 2)),
    "glare, radius, % of height": ("glare", (5, 10, 15, 20), (25, 30)),
    "code's side, % of height": ("share", (12, 16, 20, 30, 50, 70, 80), (6, 8, 10, 90, 100, 120)),
    "exposure": ("gain", (0.25, 0.5, 1, 2, 3), (0.15, 5, 8, 12)),
    "turned, degrees": ("turn", (0, 15, 30, 45, 60, 75), ()),
    "tilt, % of the side": ("tilt", (0, 5, 10, 15, 20), (25,)),
    "noise, of 256": ("noise", (5, 10, 20, 30, 40), (60,)),
    "JPEG quality": ("quality", (5, 10, 20, 40, 60, 90), ()),
}
SCALES = {"blur": 0.01, "glare": 0.01, "share": 0.01, "tilt": 0.01, "turn": math.pi / 180}
ALL_AT_ONCE = "all at once, half as strong"


def rows() -> Iterator[Row]:
    for what, (_, inside, beyond) in FACTORS.items():
        yield from (Row(what, value) for value in inside)
        yield from (Row(what, value, promised=False) for value in beyond)
    yield Row(ALL_AT_ONCE, None)


def sequences(row: Row) -> int:
    """Most where the promise is most likely to break: at its edge, and where all comes together."""
    if row.value is None:
        return TOGETHER
    _, inside, beyond = FACTORS[row.what]
    strengths = sorted(inside + beyond)
    at = strengths.index(row.value)
    edge = row.promised and not {*strengths[max(0, at - 1) : at + 2]}.isdisjoint(beyond)
    return AT_THE_EDGE if edge else TO_A_ROW


def view_of(row: Row, number: int) -> View:
    """An ordinary view but for what the row is about."""
    chance = random.Random(f"{row}/{number}")
    view = View(
        seed=chance.randrange(1 << 30),
        size=chance.choice(((640, 480), (640, 480), (1280, 960), (1600, 1200))),
        share=chance.uniform(0.3, 0.7),
        blur=chance.uniform(0.0007, 0.0025),
        tilt=chance.uniform(0, 0.1),
        gain=chance.uniform(0.6, 1.6),
        noise=chance.uniform(4, 14),
        quality=chance.randint(70, 92),
    )
    if row.value is not None:
        name = FACTORS[row.what][0]
        value = row.value * SCALES.get(name, 1)
        return replace(view, **{name: round(value) if name == "quality" else value})
    return replace(
        view,
        cut=chance.choice((0, chance.uniform(0, 0.5))),
        share=chance.uniform(0.24, 0.8),
        blur=chance.uniform(0, 0.005),
        glare=chance.choice((0, chance.uniform(0, 0.1))),
        gain=chance.choice((chance.uniform(0.3, 1), chance.uniform(1, 2.5))),
        tilt=chance.uniform(0, 0.1),
        noise=chance.uniform(4, 30),
        quality=chance.randint(10, 92),
    )


@cache
def _whole(location: str) -> Codes:
    return _look(seen([Slate(INSPECTION, location)], View(7, (640, 480))))


@cache
def _pictures() -> list[tuple[bytes, Codes]]:
    return [(data, _look(data)) for data in map(surface, range(12))]


def _look(data: bytes) -> Codes:
    return find_codes(io.BytesIO(data))


def surface(number: int) -> bytes:
    """A drawn inner surface, every second one with a condition on it."""
    chance = random.Random(f"surface/{number}")
    condition = chance.choice(sorted(MARKS)) if number // len(KINDS) % 2 else None
    size = chance.choice(((640, 480), (640, 480), (1280, 960)))
    scene = Scene(f"KG{30000 + number % 97}-E", f"L{number % 37}", number)
    out = io.BytesIO()
    picture = draw(KINDS[number % len(KINDS)], scene, chance.randint(1, 9), condition, size)
    picture.save(out, "JPEG", quality=chance.randint(70, 92))
    return out.getvalue()


def outcome(row: Row, number: int) -> str:
    """What the pictures after the bad slate of this sequence come to."""
    chance = random.Random(f"{row}/{number}/card")
    ground = Image.open(io.BytesIO(chance.choice(_pictures())[0])) if chance.random() < 0.5 else None
    bad = _look(seen([Slate(INSPECTION, B)], view_of(row, number), ground))
    plain = [codes for _, codes in chance.choices(_pictures(), k=4)]
    shown = [_whole(A), plain[0], bad, plain[1], plain[2], _whole(C), plain[3]]
    paths = [b"DCIM/100TWVS_/TWVS%04d.JPG" % at for at in range(1, len(shown) + 1)]
    placed = place(map(Shot, paths, shown), JOB)
    before, after, end = (_only({placed[paths[at]] for at in these}) for these in ((0, 1), (3, 4), (5, 6)))
    assert (before.location, end.location) == (A, C), "a whole slate among good ones was not read"
    if after.location is None:
        return HALF_READ
    return READ if after.location == B else WRONG


def _only(placings: set[Placing]) -> Placing:
    (one,) = {replace(placing, slate=False) for placing in placings}
    return one


def measure(wanted: Iterable[tuple[Row, int]], workers: int) -> dict[Row, Counter[str]]:
    """Outcomes by row, of sequences given by row and number."""
    asked = list(wanted)
    counted: dict[Row, Counter[str]] = {row: Counter() for row, _ in asked}
    for (row, _), came in zip(asked, _spread(outcome, asked, workers), strict=True):
        counted[row][came] += 1
    return counted


def false_alarms(wanted: Iterable[tuple[str, int]], workers: int) -> dict[str, tuple[int, int]]:
    """By kind of picture: how many passed for a slate, of how many."""
    asked = list(wanted)
    counted: dict[str, tuple[int, int]] = {}
    for (kind, _), alarm in zip(asked, _spread(_alarms, asked, workers), strict=True):
        passed, number = counted.get(kind, (0, 0))
        counted[kind] = passed + alarm, number + 1
    return counted


def plain_pictures(number: int) -> Iterator[tuple[str, int]]:
    """Half of them surfaces, half of them hardware and noise."""
    kinds = list(hardware_views.KINDS)
    for at in range(number // 2):
        yield "inner surfaces", at
        yield kinds[at % len(kinds)], at


def _alarms(kind: str, number: int) -> bool:
    drawn = surface(number) if kind == "inner surfaces" else hardware_views.hardware(kind, number)
    return _look(drawn) != NONE


def _spread(work: Callable[[Any, int], Any], asked: Sequence[tuple[Any, int]], workers: int) -> list[Any]:
    of, numbers = [one for one, _ in asked], [number for _, number in asked]
    if workers == 1:
        return list(map(work, of, numbers))
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(work, of, numbers, chunksize=8))


def run(folder: Path) -> Figure:
    workers = os.cpu_count() or 1
    counted = measure(((row, at) for row in rows() for at in range(sequences(row))), workers)
    alarms = false_alarms(plain_pictures(PLAIN), workers)
    print("\n".join([*table(counted), *alarm_lines(alarms)]))
    return cost(30, remark(counted, alarms))


def small(ground: Ground) -> Figure:
    counted = measure(((row, 0) for row in islice(rows(), 0, None, 12)), 1)
    return cost(1, remark(counted, false_alarms(plain_pictures(4), 1)))


def cost(rounds: int, remark: str) -> Figure:
    """Of an ordinary picture of 2 megapixels without a slate, on one core: the whole look, beside decoding it
    and reading codes alone."""
    out = io.BytesIO()
    draw("gear", Scene("KG30401-E", "KG.1.RING"), 3, None, (1600, 1200)).save(out, "JPEG", quality=88)

    def alone() -> None:
        zxingcpp.read_barcodes(Image.open(out).convert("L"), formats=zxingcpp.BarcodeFormat.QRCode)

    pairs = in_turn(lambda: seconds(lambda: find_codes(out)), lambda: seconds(alone), rounds)
    return Figure("slates", pairs, f"a look at 1600 x 1200; {remark}")


def remark(counted: Mapping[Row, Counter[str]], alarms: Mapping[str, tuple[int, int]]) -> str:
    inside = sums(counted, promised=True)
    passed, number = (sum(column) for column in zip(*alarms.values(), strict=True))
    return (
        f"inside what is promised {inside[WRONG]} of {inside.total()} at a wrong place without a word; "
        f"{passed} of {number} other pictures taken for a slate"
    )


def sums(counted: Mapping[Row, Counter[str]], promised: bool) -> Counter[str]:
    return sum((came for row, came in counted.items() if row.promised is promised), Counter[str]())


def table(counted: Mapping[Row, Counter[str]]) -> Iterator[str]:
    yield f"{'slates: a bad slate between two whole ones':36} {READ:>10} {HALF_READ:>10} {WRONG:>12}"
    for row, came in counted.items():
        mark = "" if row.promised else "  (beyond what is promised)"
        yield f"{row!s:36} {came[READ]:10} {came[HALF_READ]:10} {came[WRONG]:12}{mark}"
    for promised, where in ((True, "inside"), (False, "beyond")):
        came = sums(counted, promised)
        yield (
            f"{where} what is promised: wrong place without a word {came[WRONG]} of {came.total()}, "
            f"half-read {came[HALF_READ]}, read {came[READ]}"
        )


def alarm_lines(counted: Mapping[str, tuple[int, int]]) -> Iterator[str]:
    for kind, (passed, number) in counted.items():
        yield f"taken for a slate: {passed} of {number} {kind}"

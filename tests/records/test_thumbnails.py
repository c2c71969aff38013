"""Thumbnails: small, upright, tolerant, bounded."""

from __future__ import annotations

import io

import pytest
from PIL import Image

from service.images import rules
from service.images.rules import LONG_SIDE, NoThumbnail, reduced


def _encoded(size: tuple[int, int], kind: str = "JPEG", mode: str = "RGB", **more: object) -> bytes:
    picture = Image.effect_noise(size, 60).convert(mode)
    out = io.BytesIO()
    picture.save(out, kind, **more)
    return out.getvalue()


@pytest.mark.parametrize(
    ("size", "expected"), [((1600, 900), (320, 180)), ((90, 640), (45, 320)), ((40, 30), (40, 30))]
)
def test_the_long_side_is_at_most_320_pixels(size: tuple[int, int], expected: tuple[int, int]) -> None:
    with Image.open(io.BytesIO(reduced(_encoded(size)))) as small:
        assert (small.format, small.size) == ("JPEG", expected)
        assert max(small.size) <= LONG_SIDE


def test_a_picture_taken_on_its_side_is_turned_upright() -> None:
    exif = Image.Exif()
    exif[0x0112] = 6
    with Image.open(io.BytesIO(reduced(_encoded((640, 320), exif=exif)))) as small:
        assert small.size == (160, 320)


@pytest.mark.parametrize(("kind", "mode"), [("PNG", "P"), ("PNG", "RGBA"), ("TIFF", "L"), ("JPEG", "CMYK")])
def test_other_formats_and_modes_become_jpegs(kind: str, mode: str) -> None:
    assert reduced(_encoded((400, 300), kind, mode)).startswith(b"\xff\xd8\xff")


def test_a_truncated_picture_shows_the_rows_it_has() -> None:
    whole = _encoded((640, 480), quality=95)
    with (
        Image.open(io.BytesIO(reduced(whole))) as seen,
        Image.open(io.BytesIO(reduced(whole[: len(whole) // 2]))) as half,
    ):
        assert half.size == seen.size
        top = (0, 0, 320, 60)
        assert half.crop(top).tobytes() == pytest.approx(seen.crop(top).tobytes(), abs=12)


@pytest.mark.parametrize(
    "data", [b"", b"\xff\xd8\xff", b"\0" * 1000, b"GIF89a", _encoded((64, 64), "PNG")[:60]]
)
def test_what_is_no_picture_says_why(data: bytes) -> None:
    with pytest.raises(NoThumbnail):
        reduced(data)


def test_a_picture_of_too_many_pixels_is_not_decoded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rules, "MOST_PIXELS", 64 * 64 - 1)
    with pytest.raises(NoThumbnail, match="too many"):
        reduced(_encoded((64, 64)))


def test_a_look_tells_the_facts_beside_a_small_picture_or_why_there_is_none() -> None:
    seen = rules.look(_encoded((640, 480)))
    assert seen.judged is not None
    assert seen.judged.picture is not None
    assert (seen.judged.picture.width, seen.why) == (640, None)
    assert seen.small is not None
    assert Image.open(io.BytesIO(seen.small)).size == (320, 240)
    torn = rules.look(b"no picture at all")
    assert torn.small is None
    assert torn.why

"""Generated pictures: never flat, all different, the same again from the same seed, honest Exif."""

from __future__ import annotations

import hashlib
from datetime import datetime
from io import BytesIO

import exifread
import pytest
from PIL import Image, ImageChops, ImageStat

from seed.marks import MARKS
from seed.picture_files import LARGE_QUALITY, LARGE_SIZE, ExifFacts, jpeg, user_comment, with_exif
from seed.pictures import KINDS, Shot, draw, view_kind
from seed.scenario import load_scenario

SHOT = Shot("KG30401-E", "KG.1.RING")
FACTS = ExifFacts(
    body_serial="VS-01",
    taken=datetime(2026, 9, 14, 10, 32, 7),  # noqa: DTZ001 a scope's clock has no zone
    unique_id="0123456789abcdef0123456789abcdef",
    sub_seconds="05",
)


def middle(picture: Image.Image) -> Image.Image:
    width, height = picture.size
    return picture.convert("L").crop(
        (width // 2 - 100, height // 2 - 100, width // 2 + 100, height // 2 + 100)
    )


@pytest.mark.parametrize("kind", KINDS)
def test_no_picture_is_flat_and_the_field_is_round(kind: str) -> None:
    picture = draw(kind, SHOT, element=3)
    assert picture.size == (640, 480)
    assert picture.mode == "RGB"
    centre = middle(picture)
    assert centre.entropy() > 5
    assert ImageStat.Stat(centre).stddev[0] > 12
    mean = ImageStat.Stat(centre).mean[0]
    for corner in ((0, 0), (580, 0), (0, 420), (580, 420)):
        outside = picture.convert("L").crop((*corner, corner[0] + 60, corner[1] + 60))
        assert ImageStat.Stat(outside).mean[0] < mean / 3


@pytest.mark.parametrize("code", sorted(MARKS))
def test_every_condition_shows_in_the_middle(code: str) -> None:
    """Against the same view without a mark; the two differ in aim only where a condition asks for it."""
    with_mark = draw("segment", SHOT, element=3, condition=code)
    again = draw("segment", SHOT, element=3, condition=code)
    other_visit = draw("segment", Shot(SHOT.serial, SHOT.location, 0, "later"), element=3, condition=code)
    assert with_mark.tobytes() == again.tobytes()
    assert with_mark.tobytes() != other_visit.tobytes()
    bland = _without(code)
    difference = ImageChops.difference(middle(with_mark), middle(bland))
    assert difference.getextrema()[1] > 24


def _without(code: str) -> Image.Image:
    """The very same view with the painter of `code` doing nothing."""
    painter = MARKS[code]
    MARKS[code] = lambda picture, at, radius, rng: None
    try:
        return draw("segment", SHOT, element=3, condition=code)
    finally:
        MARKS[code] = painter


def test_same_seed_same_bytes_any_other_seed_other_bytes() -> None:
    wanted = [
        (SHOT, 1), (SHOT, 2), (Shot("KG30402-M", "KG.1.RING"), 1), (Shot("KG30401-E", "KG.1.PL1"), 1),
        (Shot("KG30401-E", "KG.1.RING", 1), 1), (Shot("KG30401-E", "KG.1.RING", 0, "2027"), 1),
    ]  # fmt: skip
    first = [hashlib.sha256(draw("gear", shot, element).tobytes()).hexdigest() for shot, element in wanted]
    second = [hashlib.sha256(draw("gear", shot, element).tobytes()).hexdigest() for shot, element in wanted]
    assert first == second
    assert len(set(first)) == len(wanted)


def test_nameplates_of_two_units_differ_where_the_serial_is() -> None:
    one = draw("nameplate", SHOT, text="KG30401-E")
    other = draw("nameplate", SHOT, text="KG30402-M")
    box = (
        ImageChops.difference(one, other).convert("L").point(lambda value: 255 if value > 40 else 0).getbbox()
    )
    assert box is not None
    assert box[1] > 200


def test_what_cannot_be_drawn_is_refused() -> None:
    with pytest.raises(ValueError, match="No view of kind 'pump'"):
        draw("pump", SHOT)
    with pytest.raises(ValueError, match="add a painter"):
        draw("gear", SHOT, condition="gear_damage_2022:no_such")


def test_every_location_has_a_view_and_every_allowed_condition_a_painter() -> None:
    scenario = load_scenario()
    assert {view_kind(loc) for loc in scenario.locations} <= set(KINDS)
    assert {code for codes in scenario.condition_sets.values() for code in codes} <= set(MARKS)


def test_file_size_is_a_real_pictures() -> None:
    sizes = [len(jpeg(draw(kind, SHOT, element=2), FACTS)) for kind in ("gear", "roller", "liner")]
    assert all(55_000 < size < 130_000 for size in sizes), sizes
    large = len(jpeg(draw("gear", SHOT, element=2, size=LARGE_SIZE), FACTS, LARGE_QUALITY))
    assert 240_000 < large < 380_000


def tags(data: bytes) -> dict[str, str]:
    """Read by exifread, which shares no code with Pillow."""
    return {name: str(value) for name, value in exifread.process_file(BytesIO(data), details=True).items()}


def test_exif_as_an_independent_reader_sees_it() -> None:
    """Tags of CIPA DC-008 (Exif)."""
    read = tags(jpeg(draw("gear", SHOT), FACTS))
    assert read["Image Make"] == "Tarnwick Works"
    assert read["Image Model"] == "VS-01"
    assert read["Image DateTime"] == read["EXIF DateTimeOriginal"] == "2026:09:14 10:32:07"
    assert read["EXIF BodySerialNumber"] == "VS-01"
    assert read["EXIF SubSecTimeOriginal"] == "05"
    assert read["EXIF ImageUniqueID"] == FACTS.unique_id
    assert "EXIF OffsetTimeOriginal" not in read
    assert "Image ImageDescription" not in read
    assert "EXIF UserComment" not in read


def test_exif_that_is_written_only_when_asked() -> None:
    facts = ExifFacts(
        body_serial="VS-05", taken=FACTS.taken, unique_id=FACTS.unique_id, offset="+09:30",
        comment="tooth 17, drive flank", description="KG.3.PIN",
    )  # fmt: skip
    data = jpeg(draw("gear", SHOT), facts)
    read = tags(data)
    assert read["EXIF OffsetTimeOriginal"] == "+09:30"
    assert read["EXIF UserComment"] == "tooth 17, drive flank"
    assert read["Image ImageDescription"] == "KG.3.PIN"
    assert b"ASCII\0\0\0tooth 17, drive flank" in data


def test_tag_numbers_are_those_of_the_standard() -> None:
    """CIPA DC-008: DateTimeOriginal 0x9003, SubSecTimeOriginal 0x9291, OffsetTimeOriginal 0x9011,
    UserComment 0x9286, ImageUniqueID 0xA420, BodySerialNumber 0xA431."""
    facts = ExifFacts("VS-01", FACTS.taken, FACTS.unique_id, "5", "+01:00", None, "note")
    read = exifread.process_file(BytesIO(jpeg(draw("gear", SHOT), facts)), details=True)
    numbers = {value.tag for name, value in read.items() if hasattr(value, "tag")}
    assert {0x010F, 0x0110, 0x0132, 0x9003, 0x9291, 0x9011, 0x9286, 0xA420, 0xA431} <= numbers


def test_user_comment_names_its_character_code() -> None:
    """Eight bytes of code, then the text (CIPA DC-008)."""
    assert user_comment("pit") == b"ASCII\0\0\0pit"
    assert user_comment("Zähne") == b"UNICODE\0" + "Zähne".encode("utf-16-le")


def test_exchanged_exif_leaves_the_picture_alone() -> None:
    data = jpeg(draw("gear", SHOT), FACTS)
    other = ExifFacts(body_serial="VS-02", taken=FACTS.taken, unique_id="f" * 32)
    changed = with_exif(data, other)
    assert changed != data
    assert tags(changed)["EXIF BodySerialNumber"] == "VS-02"
    with Image.open(BytesIO(data)) as before, Image.open(BytesIO(changed)) as after:
        assert before.tobytes() == after.tobytes()
    with pytest.raises(ValueError, match="not a JPEG with an Exif block"):
        with_exif(b"text", other)

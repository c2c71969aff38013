"""One picture under several names, on several cards, at several places: what is shown does not depend on
which came first, and one picture that answers for two places says so."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from service.access.rules import Role
from service.campaigns.actions.reading import read_inspection
from service.campaigns.store.tables import unit_images
from service.contract.cards import ManifestFile, PictureFacts
from service.contract.records import HistoryItem, MoveIn, MoveTarget
from service.contract.wire import new_id
from service.errors import NotFound
from service.facts.projections import differences
from service.images.actions import MADE, make_thumbnails
from service.images.looking import Looker
from service.images.store import images
from service.intake.actions.moves import move_pictures
from service.intake.actions.projections import HISTORY
from service.intake.store.tables import sightings
from service.records.actions.history import unit_history
from service.records.actions.images import read_image
from service.records.store.history import Wanted
from service.web.actions import image_of_unit
from tests import factories
from tests.intake.factories import Yard, assert_sound, claim, file_of, fresh_seed, jpeg, rows_of, shown_at

pytestmark = pytest.mark.anyio

EXIF = {"DateTimeOriginal": "2026:09:09 14:30:00", "OffsetTimeOriginal": "+01:00"}


def _picture(path: str, body: bytes, said: Any, **more: Any) -> ManifestFile:
    """A file that an honest agent told to be a picture."""
    return file_of(path, body, said, picture=PictureFacts("JPEG", 64, 48, EXIF), **more)


def _no_picture(path: str, body: bytes, said: Any, kind: str = "other") -> ManifestFile:
    """The same bytes under a name that no profile takes for a still, by an agent that looked no further."""
    return file_of(path, body, said, kind=kind, picture=None)


async def _history(yard: Yard, serial: str | None = None, **more: Any) -> list[HistoryItem]:
    reader = more.pop("reader", None) or await factories.person(yard.db, Role.AUDITOR)
    return await unit_history(yard.db, reader, serial or yard.serial, Wanted(**more), None, 100)


async def _held(yard: Yard, inspection_id: UUID | None = None) -> dict[str, tuple[int, int, int]]:
    """By location: pictures held, of those also counting elsewhere, and those that do not count."""
    reader = await factories.person(yard.db, Role.AUDITOR)
    detail = await read_inspection(yard.db, reader, inspection_id or yard.inspection_id)
    return {
        at.key: (at.pictures_held, at.pictures_elsewhere, at.pictures_uncounted)
        for at in detail.locations
        if at.pictures_held or at.pictures_uncounted
    }


async def _thumbnails_ordered(yard: Yard, digest: str) -> int:
    query = "SELECT count(*) AS number FROM procrastinate_jobs WHERE args::text LIKE :digest"
    [row] = await rows_of(yard.db, sa.text(query).bindparams(digest=f"%{digest}%"))
    return int(row["number"])


@pytest.mark.parametrize(("name", "kind"), [("A/1.BAK", "other"), ("A/1.TXT", "side"), ("A/1.MOV", "video")])
async def test_i1_bytes_first_seen_as_no_picture_are_one_where_they_come_as_one(
    yard: Yard, name: str, kind: str
) -> None:
    body = jpeg(fresh_seed())
    await yard.card_of([_no_picture(name, body, claim(yard.inspection_id), kind)], [body]).go_through()
    card = yard.card_of([_picture("A/1.JPG", body, claim(yard.inspection_id))], [])
    await card.go_through()
    digest = card.files[0].sha256
    (item,) = await _history(yard)
    assert (item.digest, item.location, item.format) == (digest, "A", "JPEG")
    assert await _held(yard) == {"A": (1, 0, 0)}
    assert await _thumbnails_ordered(yard, digest) == 1
    reader = await factories.person(yard.db, Role.AUDITOR)
    image, _ = await read_image(yard.db, reader, digest)
    assert (image.format, image.width, image.exif, image.looked_at) == ("JPEG", 64, EXIF, None)
    assert {seen.path: (seen.kind, seen.clocks.exif is not None) for seen in image.sightings} == {
        name: (kind, False),
        "A/1.JPG": ("still", True),
    }
    if kind != "video":
        assert (item.kind, item.path, item.sightings) == ("still", "A/1.JPG", 1)
        assert (item.taken_at, item.taken_basis) == (datetime(2026, 9, 9, 13, 30, tzinfo=UTC), "exif")
    await assert_sound(yard)


async def test_i1_a_note_among_pictures_with_their_bytes_stands_at_no_unit(yard: Yard) -> None:
    body = jpeg(fresh_seed())
    await yard.card_of([_picture("A/1.JPG", body, claim(yard.inspection_id))], [body]).go_through()
    await yard.card_of([_no_picture("B/1.TXT", body, claim(yard.inspection_id, "B"))], []).go_through()
    assert [(item.location, item.sightings) for item in await _history(yard)] == [("A", 1)]
    assert await _held(yard) == {"A": (1, 0, 0)}
    await assert_sound(yard)


# What comes back: one card each, whose id is its place in this list; in whatever order it comes in.
CARDS: list[list[tuple[str, int, str | None, dict[str, Any]]]] = [
    [("A/1.BAK", 0, "A", {"kind": "other", "picture": None}), ("B/2.JPG", 1, "B", {})],
    [("A/1.JPG", 0, "A", {"modified": "2026-09-01T00:00:00"}), ("C/3.JPG", 2, "C", {"marks": ["truncated"]})],
    [("A/9.JPG", 0, "A", {"modified": "2026-09-05T00:00:00"}), ("C/3.JPG", 2, "C", {})],
    [("B/1.MOV", 0, "B", {"kind": "video", "picture": None}), ("2.JPG", 1, None, {"marks": ["slate"]})],
]
Projection = set[tuple[Any, ...]]


async def _come_in(yard: Yard, order: Sequence[int]) -> tuple[Projection, dict[str, tuple[int, int, int]]]:
    """The cards committed in this order; what the unit shows, with cards and bytes by their numbers."""
    inspection_id = await yard.another_inspection()
    first_seed = fresh_seed()
    bodies = [jpeg(first_seed + n) for n in range(3)]
    ids = sorted(new_id() for _ in CARDS)
    for at in order:
        files = [_come(path, bodies[n], claim(inspection_id, key), more) for path, n, key, more in CARDS[at]]
        card = yard.card_of(files, bodies, inspection_id=inspection_id)
        card.id = ids[at]
        await card.go_through()
    here = sa.select(unit_images, sightings.c.card_return_id, sightings.c.ordinal)
    here = here.join(sightings, sightings.c.id == unit_images.c.first_sighting_id)
    rows = await rows_of(yard.db, here.where(unit_images.c.inspection_id == inspection_id))
    digests = {file_of("x", body).sha256: n for n, body in enumerate(bodies)}
    kept = ("location_key", "element", "sightings", "counted", "taken_at", "taken_basis", "note", "ordinal")
    shown = {
        (digests[row["digest"]], ids.index(row["card_return_id"]), *(row[name] for name in kept))
        for row in rows
    }
    async with yard.db.begin() as connection:
        assert await differences(connection, HISTORY, [inspection_id]) == ([], {})
    return shown, await _held(yard, inspection_id)


def _come(path: str, body: bytes, said: Any, more: dict[str, Any]) -> ManifestFile:
    return replace(_picture(path, body, said), **more)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(order=st.permutations(range(len(CARDS))))
async def test_i3_what_units_show_does_not_depend_on_the_order_in_which_cards_come_in(
    yard: Yard, order: list[int]
) -> None:
    if not hasattr(yard, "expected"):
        yard.expected = await _come_in(yard, range(len(CARDS)))  # type: ignore[attr-defined]
    assert await _come_in(yard, order) == yard.expected  # type: ignore[attr-defined]


async def test_i3_i4_undoing_a_move_leaves_the_sighting_that_was_first(yard: Yard) -> None:
    """The card with the lesser id came in last: it is first before the move and after its undoing, and the
    fact that is told is the one that stands, not the one recorded last."""
    body = jpeg(fresh_seed())
    cards = [yard.card_of([_picture(f"A/{n}.JPG", body, claim(yard.inspection_id))], [body]) for n in "12"]
    cards[0].id, cards[1].id = sorted((cards[0].id, cards[1].id))
    for card in reversed(cards):
        await card.go_through()
    (before,) = await _history(yard)
    assert (before.path, before.sightings, before.rule, before.moved) == ("A/1.JPG", 2, "folder", False)
    lead = await factories.person(yard.db, Role.SHIFT_LEAD, at=[yard.made.site])
    target = MoveTarget(inspection_id=yard.inspection_id, location="B")
    move = MoveIn(id=new_id(), reason="wrong folder", to=target, pictures=[before.id])
    await move_pictures(yard.db, lead, move)
    await move_pictures(yard.db, lead, MoveIn(id=new_id(), reason="it was right", undoes=move.id))
    (after,) = await _history(yard)
    assert (after.id, after.path, after.sightings) == (before.id, "A/1.JPG", 2)
    assert (after.rule, after.moved) == ("folder", True), "an undoing is a move, by the rule of before"
    await assert_sound(yard)


async def test_one_picture_at_two_locations_counts_at_both_and_says_so(yard: Yard) -> None:
    twice, once = jpeg(fresh_seed()), jpeg(fresh_seed())
    here = yard.inspection_id
    files = [
        _picture("A/1.JPG", twice, claim(here, "A", element=1)),
        _picture("A/2.JPG", twice, claim(here, "A", element=2)),
        _picture("B/1.JPG", twice, claim(here, "B")),
        _picture("A/3.JPG", once, claim(here, "A")),
    ]
    await yard.card_of(files, [twice, once]).go_through()
    assert await _held(yard) == {"A": (2, 1, 0), "B": (1, 1, 0)}
    also = {
        (item.location, item.element): [(at.unit, at.location) for at in item.also_at]
        for item in await _history(yard)
    }
    serial = yard.serial
    assert also == {
        ("A", 1): [(serial, "B")],
        ("A", 2): [(serial, "B")],
        ("B", None): [(serial, "A")],
        ("A", None): [],
    }
    reader = await factories.person(yard.db, Role.AUDITOR)
    image, _ = await read_image(yard.db, reader, files[0].sha256)
    assert [(at.unit, at.location) for at in image.stands_at] == [(serial, "A"), (serial, "B")]


async def test_one_picture_at_units_of_two_sites_is_told_of_without_naming_what_one_does_not_see(
    yard: Yard,
) -> None:
    body = jpeg(fresh_seed())
    await yard.card_of([_picture("A/1.JPG", body, claim(yard.inspection_id))], [body]).go_through()
    there = await yard.another_inspection(site=yard.made.other_site)
    far = await factories.agent(yard.db, yard.made, yard.made.other_site)
    files = [_picture("C/1.JPG", body, claim(there, "C"))]
    card = yard.card_of(files, [body], site=yard.made.other_site, inspection_id=there)
    await card.open(far)
    await card.put_part(0, agent=far)
    await card.commit(far)
    here = await factories.person(yard.db, Role.INSPECTOR, at=[yard.made.site])
    (item,) = await _history(yard, reader=here)
    assert [(at.unit, at.campaign, at.location) for at in item.also_at] == [(None, None, None)]
    (item,) = await _history(yard)
    assert [at.location for at in item.also_at] == ["C"]
    assert await _held(yard) == {"A": (1, 1, 0)}


async def test_a_marked_picture_answers_for_no_place_and_is_said_to_stand_there(yard: Yard) -> None:
    body = jpeg(fresh_seed())
    files = [_picture(f"{key}/1.JPG", body, claim(yard.inspection_id, key)) for key in "AB"]
    await yard.card_of([replace(file, marks=["truncated"]) for file in files], [body]).go_through()
    assert [item.also_at for item in await _history(yard)] == [[], []]
    assert await _held(yard) == {"A": (0, 0, 1), "B": (0, 0, 1)}
    reader = await factories.person(yard.db, Role.AUDITOR)
    assert (await read_inspection(yard.db, reader, yard.inspection_id)).pictures_uncounted == 1


async def test_more_sightings_than_a_page_are_told_page_by_page_and_none_is_not_found(yard: Yard) -> None:
    """The same bytes 520 times on one card, and once at a unit of another inspection: as empty files are."""
    body = jpeg(fresh_seed())
    files = [_picture(f"A/{n:04}.JPG", body, claim(yard.inspection_id)) for n in range(520)]
    await yard.card_of(files, [body]).go_through()
    other = await yard.another_inspection()
    late = yard.card_of([_picture("B/1.JPG", body, claim(other, "B"))], [], inspection_id=other)
    await late.go_through()
    reader = await factories.person(yard.db, Role.AUDITOR)
    digest = late.files[0].sha256
    [unit] = await rows_of(
        yard.db,
        sa.text("SELECT serial FROM units JOIN inspections ON unit_id = units.id WHERE inspections.id = :id")
        .bindparams(id=other),
    )  # fmt: skip
    found = await image_of_unit(yard.db, reader, unit["serial"], digest, None)
    assert found.image.digest == digest
    stranger = await factories.person(yard.db, Role.INSPECTOR, at=[yard.made.other_site])
    with pytest.raises(NotFound):
        await image_of_unit(yard.db, stranger, unit["serial"], digest, None)
    paths, after = [], None
    while True:
        image, after = await read_image(yard.db, reader, digest, after, 200)
        paths += [seen.path for seen in image.sightings]
        if after is None:
            break
    assert sorted(paths) == sorted([file.path for file in files] + ["B/1.JPG"])
    assert await shown_at(yard.db, other) == {("B", 0, digest): 1}


async def test_what_the_service_finds_in_the_bytes_stands_before_what_agents_told(
    yard: Yard, looker: Looker
) -> None:
    body = jpeg(fresh_seed(), (90, 60))
    lies = PictureFacts("PNG", 1, 1, {"Make": "told"})
    card = yard.card_of([file_of("A/1.JPG", body, claim(yard.inspection_id), picture=lies)], [body])
    await card.go_through()
    digest = card.files[0].sha256
    reader = await factories.person(yard.db, Role.AUDITOR)
    told, _ = await read_image(yard.db, reader, digest)
    assert (told.format, told.width, told.exif, told.looked_at) == ("PNG", 1, {"Make": "told"}, None)
    assert await make_thumbnails(yard.db, yard.objects, looker, [digest]) == {digest: MADE}
    found, _ = await read_image(yard.db, reader, digest)
    assert (found.format, found.width, found.height, found.exif) == ("JPEG", 90, 60, {})
    assert found.looked_at is not None
    assert [item.format for item in await _history(yard)] == ["JPEG"]
    [row] = await rows_of(yard.db, sa.select(sightings).where(sightings.c.digest == digest))
    assert (row["format"], row["exif"]) == ("PNG", {"Make": "told"}), "what was told stays as evidence"
    assert await make_thumbnails(yard.db, yard.objects, looker, [digest]) == {}


async def test_i9_a_picture_cut_short_is_marked_by_its_bytes_when_the_service_looks(
    yard: Yard, looker: Looker
) -> None:
    body = jpeg(fresh_seed(), (200, 200))[:-40]
    card = yard.card_of([_picture("A/1.JPG", body, claim(yard.inspection_id))], [body])
    await card.go_through()
    await make_thumbnails(yard.db, yard.objects, looker, [card.files[0].sha256])
    [row] = await rows_of(yard.db, sa.select(images).where(images.c.digest == card.files[0].sha256))
    assert (row["marks"], row["format"]) == (["truncated"], "JPEG")

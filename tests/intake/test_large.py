"""Files that go by parts: who sends what, when it counts, and what is said of it until then."""

from __future__ import annotations

import asyncio
import hashlib
import subprocess
import sys
import tracemalloc

import httpx
import pytest
import sqlalchemy as sa

from service.contract.cards import LARGE_FROM, LargeAnswer, LargeParts
from service.errors import Conflict, Invalid, NotFound
from service.images.actions import NotYetVerified
from service.intake.actions.commit import ObjectsMissing
from service.intake.actions.large import LargeDiffers, put_large, verify_large
from service.intake.store.large import large_files
from service.objects import multipart
from service.records.actions.images import read_image
from tests import factories
from tests.intake.factories import (
    CardBack,
    Yard,
    assert_sound,
    claim,
    file_of,
    fresh_seed,
    images_among,
    jpeg,
    receipt_body,
    rows_of,
    shown_at,
)
from tests.intake.protocol import large_parts, put_parts, random_bytes, work_off
from tests.live_service import ROOT, environment_of, execute

pytestmark = pytest.mark.anyio


def _video(yard: Yard, data: bytes, site: str | None = None, **opening: object) -> CardBack:
    """A card with a picture and a video of these bytes."""
    picture = jpeg(data[0] * 251 + data[1])
    files = [
        file_of("A/1.JPG", picture, claim(yard.inspection_id)),
        file_of("B/2.MP4", data, claim(yard.inspection_id, "B"), kind="video", picture=None),
    ]
    told = {} if site is None else {"site": site, "inspection_id": None}
    return yard.card_of(files, [picture, data], **told, **opening)


async def _ask(card: CardBack, told: LargeParts | None = None, agent: object = None) -> LargeAnswer:
    yard, file = card.yard, card.files[1]
    return await put_large(
        yard.db,
        yard.objects,
        yard.settings,
        agent or yard.agent,  # type: ignore[arg-type]
        card.id,
        file.sha256,
        told or large_parts(card.bodies[file.sha256]),
    )


async def _sent(card: CardBack, data: bytes, told: LargeParts | None = None) -> LargeAnswer:
    """Send everything but the word that it is verified."""
    answer = await _ask(card, told)
    assert set(put_parts(answer, data)) <= {200}
    return await _ask(card, told)


async def _row(card: CardBack) -> dict[str, object]:
    (row,) = await rows_of(
        card.yard.db, sa.select(large_files).where(large_files.c.digest == card.files[1].sha256)
    )
    return dict(row)


async def test_p17_a_large_file_resumes_by_part_and_counts_only_when_it_was_read_back_whole(
    yard: Yard,
) -> None:
    data = random_bytes(25_000_000)
    card, digest = _video(yard, data), hashlib.sha256(data).hexdigest()
    await card.open()
    first = await card.put_part(0)
    assert [file.sha256 for file in first.large] == [digest]
    assert digest not in {ticket.sha256 for ticket in first.lacking}
    await card.upload(first.lacking)
    answer = await _ask(card)
    assert (answer.state, answer.parts_held, len(answer.tickets)) == ("receiving", 0, 5)
    put_parts(answer, data, only=2)  # and then the link drops
    answer = await _ask(card)
    assert (answer.parts_held, [ticket.number for ticket in answer.tickets]) == (2, [3, 4, 5])
    put_parts(answer, data)
    answer = await _ask(card)
    assert (answer.state, answer.parts_held, answer.tickets) == ("verifying", 5, [])
    await _assert_not_yet(card, digest)
    await work_off(yard)
    assert (await _ask(card)).state == "verified"
    checked = await card.check(0)
    assert (checked.held, checked.lacking, checked.large) == (2, [], [])
    receipt = receipt_body(await card.commit())
    assert [file.sha256 for file in receipt.files] == [file.sha256 for file in card.files]
    assert (await card.recorded()).not_yet_verified == []
    assert (await shown_at(yard.db, yard.inspection_id))["B", 0, digest] == 1
    assert await yard.objects.read(yard.original(digest).key) == data
    assert (await _ask(card)).state == "verified"
    await assert_sound(yard)


async def _assert_not_yet(card: CardBack, digest: str) -> None:
    """Sent, put together, not read back: no receipt, no row, and every answer says so."""
    yard = card.yard
    assert (await card.check(0)).large[0].sha256 == digest
    assert (await card.put_part(0)).large[0].sha256 == digest
    with pytest.raises(NotYetVerified) as refused:
        await card.commit()
    assert [error.path for error in refused.value.errors] == [digest]
    assert refused.value.slug == "objects-unverified"
    assert "Do not wipe" in refused.value.consequence
    assert (await card.recorded()).not_yet_verified == [digest]
    assert (await card.recorded()).state == "open"
    assert await images_among(yard.db, [file.sha256 for file in card.files]) == set()
    with pytest.raises(NotYetVerified, match="not yet verified"):
        await read_image(yard.db, yard.agent, digest)
    stranger = await factories.agent(yard.db, yard.made, yard.made.other_site)
    with pytest.raises(NotFound):
        await read_image(yard.db, stranger, digest)


async def test_p17_a_sender_whose_parts_are_not_the_file_is_told_so_and_the_true_file_can_still_come(
    yard: Yard,
) -> None:
    true, lie = random_bytes(LARGE_FROM + 9), random_bytes(LARGE_FROM + 9)
    card = _video(yard, true)
    digest = card.files[1].sha256
    await card.upload(await card.send_manifest())
    assert (await _sent(card, lie, large_parts(lie))).state == "verifying"
    assert await verify_large(yard.db, yard.objects, yard.original(digest)) == "false"
    assert await yard.objects.stat(yard.original(digest).key) is None
    with pytest.raises(LargeDiffers, match="another file") as refused:
        await _ask(card, large_parts(lie))
    assert "deleted" in refused.value.consequence
    with pytest.raises(ObjectsMissing):
        await card.commit()
    assert (await _sent(card, true)).state == "verifying"
    await work_off(yard)
    assert (await _ask(card)).state == "verified"
    assert len(receipt_body(await card.commit()).files) == 2


async def test_p17_p27_a_file_that_the_store_changed_is_deleted_and_asked_for_again(yard: Yard) -> None:
    data = random_bytes(LARGE_FROM + 5)
    card = _video(yard, data)
    digest = card.files[1].sha256
    await card.upload(await card.send_manifest())
    await _sent(card, data)
    await multipart.remove_false(yard.objects, yard.original(digest))
    changed = data[:-1] + bytes([data[-1] ^ 1])
    yard.objects._inner.put_object(
        Bucket=yard.settings.s3_bucket, Key=yard.original(digest).key, Body=changed
    )
    assert await verify_large(yard.db, yard.objects, yard.original(digest)) == "changed"
    assert await yard.objects.stat(yard.original(digest).key) is None
    assert (await _ask(card)).state == "receiving"
    assert (await _sent(card, data)).state == "verifying"
    assert await verify_large(yard.db, yard.objects, yard.original(digest)) == "verified"


async def test_p17_a_lost_upload_a_lost_job_and_a_lost_object_begin_again_by_themselves(yard: Yard) -> None:
    data = random_bytes(LARGE_FROM + 6)
    card = _video(yard, data)
    digest = card.files[1].sha256
    await card.upload(await card.send_manifest())
    first = await _ask(card)
    put_parts(first, data, only=1)
    await multipart.give_up(yard.objects, yard.original(digest), str((await _row(card))["upload_id"]))
    again = await _ask(card)
    assert (again.state, again.parts_held) == ("receiving", 0)
    assert (await _sent(card, data)).state == "verifying"
    lock = f"large:{yard.made.site}:{digest}"
    order = "SELECT status FROM procrastinate_jobs WHERE queueing_lock = %s ORDER BY id"
    assert execute(yard.settings, order, lock) == [("todo",)]
    await asyncio.gather(*(_ask(card) for _ in range(4)))
    assert execute(yard.settings, order, lock) == [("todo",)], "ordered once however often it is asked"
    execute(yard.settings, "UPDATE procrastinate_jobs SET status = 'failed' WHERE queueing_lock = %s", lock)
    assert (await _ask(card)).state == "verifying"
    assert execute(yard.settings, order, lock) == [("failed",), ("todo",)]
    await multipart.remove_false(yard.objects, yard.original(digest))
    await work_off(yard)
    assert (await _ask(card)).state == "receiving"
    assert (await _sent(card, data)).state == "verifying"
    await work_off(yard)
    assert (await _ask(card)).state == "verified"
    execute(yard.settings, "DELETE FROM procrastinate_jobs WHERE queueing_lock = %s", lock)


async def test_p01_p26_work_of_a_dead_worker_and_work_put_off_by_a_wrong_clock_is_taken_up(
    yard: Yard,
) -> None:
    data = random_bytes(LARGE_FROM + 2)
    card = _video(yard, data)
    lock = f"large:{yard.made.site}:{card.files[1].sha256}"
    await card.send_manifest()
    await _sent(card, data)
    put_off = (
        "UPDATE procrastinate_jobs SET scheduled_at = now() + interval '1 year' WHERE queueing_lock = %s"
    )
    execute(yard.settings, put_off, lock)
    await work_off(yard)
    assert (await _ask(card)).state == "verifying"
    # The asking has put it right; and a worker dies with the job in hand, its entry pruned by another.
    scheduled = "SELECT scheduled_at FROM procrastinate_jobs WHERE queueing_lock = %s"
    assert execute(yard.settings, scheduled, lock) == [(None,)]
    execute(yard.settings, "UPDATE procrastinate_jobs SET status = 'doing' WHERE queueing_lock = %s", lock)
    await work_off(yard)
    assert execute(yard.settings, scheduled, lock) == []
    assert (await _ask(card)).state == "verified"


async def test_p17_p19_the_same_large_file_from_two_workstations_of_a_site_is_one_upload_and_one_object(
    yard: Yard,
) -> None:
    data = random_bytes(LARGE_FROM + 7)
    here, there = _video(yard, data), _video(yard, data)
    other = await factories.agent(yard.db, yard.made, yard.made.site)
    await here.upload(await here.send_manifest())
    await there.open(other)
    await there.upload((await there.put_part(0, agent=other)).lacking)
    answers = await asyncio.gather(_ask(here), _ask(there, agent=other), _ask(here), _ask(there, agent=other))
    assert {answer.state for answer in answers} == {"receiving"}
    assert len({ticket.url.partition("uploadId=")[2][:40] for a in answers for ticket in a.tickets}) == 1
    put_parts(answers[0], data, only=1)
    rest = await _ask(there, agent=other)
    assert [ticket.number for ticket in rest.tickets] == [2]
    put_parts(rest, data)
    states = await asyncio.gather(_ask(here), _ask(there, agent=other), _ask(here), _ask(there, agent=other))
    assert {answer.state for answer in states} == {"verifying"}
    await work_off(yard)
    receipts = await asyncio.gather(here.commit(), there.commit(other))
    assert [len(receipt_body(receipt).files) for receipt in receipts] == [2, 2]
    digest = here.files[1].sha256
    seen = "SELECT count(*) FROM sightings WHERE digest = %s"
    assert execute(yard.settings, seen, digest) == [(2,)]
    assert execute(yard.settings, "SELECT count(*) FROM images WHERE digest = %s", digest) == [(1,)]


async def test_p17_p19_the_same_large_file_from_two_sites_is_two_uploads_one_image_and_two_sightings(
    yard: Yard,
) -> None:
    data = random_bytes(LARGE_FROM + 12)
    here, there = _video(yard, data), _video(yard, data, site=yard.made.other_site)
    other = await factories.agent(yard.db, yard.made, yard.made.other_site)
    await here.upload(await here.send_manifest())
    await there.open(other)
    await there.upload((await there.put_part(0, agent=other)).lacking)
    first, second = await asyncio.gather(_ask(here), _ask(there, agent=other))
    put_parts(first, data)
    assert (await _ask(here)).state == "verifying"
    assert (await _ask(there, agent=other)).parts_held == 0, "each site sends the file itself"
    put_parts(second, data)
    assert (await _ask(there, agent=other)).state == "verifying"
    await work_off(yard)
    receipts = await asyncio.gather(here.commit(), there.commit(other))
    assert [len(receipt_body(receipt).files) for receipt in receipts] == [2, 2]
    digest = here.files[1].sha256
    assert execute(yard.settings, "SELECT count(*) FROM sightings WHERE digest = %s", digest) == [(2,)]
    assert execute(yard.settings, "SELECT count(*) FROM images WHERE digest = %s", digest) == [(1,)]
    for site in yard.made.sites:
        assert await yard.objects.read(yard.original(digest, site).key) == data
    # What its own record holds is verified at once, under whichever name it lies.
    again = _video(yard, data, site=yard.made.other_site)
    await again.open(other)
    assert (await again.put_part(0, agent=other)).large == []


async def test_p17_other_parts_under_the_same_digest_are_refused_until_nobody_carries_the_first_on(
    yard: Yard,
) -> None:
    data, other = random_bytes(LARGE_FROM + 8), random_bytes(LARGE_FROM + 8)
    card = _video(yard, data)
    await card.send_manifest()
    first = await _ask(card, large_parts(other))
    with pytest.raises(Conflict, match="other parts"):
        await _ask(card)
    aged = "UPDATE large_files SET asked_at = asked_at - interval '25 hours' WHERE digest = %s"
    execute(yard.settings, aged, card.files[1].sha256)
    assert (await _ask(card)).parts_held == 0
    assert set(put_parts(first, other)) == {404}, "the first upload is over"


async def test_p17_what_does_not_describe_a_large_file_is_refused(yard: Yard) -> None:
    data = random_bytes(LARGE_FROM + 3)
    card, true = _video(yard, data), large_parts(data)
    await card.open()
    with pytest.raises(Conflict, match="waits for no file"):
        await _ask(card)
    await card.put_part(0)
    for told in (
        LargeParts(size=LARGE_FROM, parts=true.parts),
        LargeParts(size=true.size, parts=true.parts[:1]),
        LargeParts(size=true.size, parts=[*true.parts, "0" * 64]),
        LargeParts(size=true.size + 1, parts=true.parts),
    ):
        with pytest.raises(Invalid):
            await _ask(card, told)
    stranger = await factories.agent(yard.db, yard.made, yard.made.other_site)
    with pytest.raises(NotFound):
        await _ask(card, agent=stranger)


async def test_p17_a_file_that_is_in_the_store_already_is_read_back_and_not_sent(yard: Yard) -> None:
    data = random_bytes(LARGE_FROM + 4)
    card = _video(yard, data)
    digest = card.files[1].sha256
    await card.upload(await card.send_manifest())
    ticket = yard.objects.presign_put(yard.original(digest), len(data))
    assert httpx.put(ticket.url, headers=ticket.headers, content=data, timeout=30).status_code == 200
    with pytest.raises(NotYetVerified):
        await card.commit()
    assert (await _ask(card)).state == "verifying"
    await work_off(yard)
    assert (await _ask(card)).state == "verified"


async def test_p17_p30_reading_back_needs_little_memory_whatever_the_size(yard: Yard) -> None:
    data = random_bytes(25_000_000)
    card = _video(yard, data)
    await card.send_manifest()
    await _sent(card, data)
    tracemalloc.start()
    try:
        assert await verify_large(yard.db, yard.objects, yard.original(card.files[1].sha256)) == "verified"
        assert tracemalloc.get_traced_memory()[1] < 8_000_000
    finally:
        tracemalloc.stop()


async def test_p17_the_receipt_of_a_video_waits_behind_no_thumbnail(yard: Yard) -> None:
    for _ in range(3):
        seed = fresh_seed()
        pictures = [jpeg(seed + n, (1600, 1200)) for n in range(40)]
        before = yard.card(*((f"A/{n}.JPG", body, None) for n, body in enumerate(pictures)))
        await before.go_through()
    ordered = "SELECT id FROM procrastinate_jobs WHERE task_name = 'images:make_thumbnails' ORDER BY id DESC"
    thumbnails = [row[0] for row in execute(yard.settings, f"{ordered} LIMIT 3")]
    data = random_bytes(LARGE_FROM + 11)
    card = _video(yard, data)
    await card.upload(await card.send_manifest())
    assert (await _sent(card, data)).state == "verifying"
    command = [sys.executable, "-m", "service", "worker"]
    with subprocess.Popen(command, env=environment_of(yard.settings), cwd=ROOT) as worker:
        try:
            for _ in range(600):
                if (await _ask(card)).state == "verified":
                    break
                await asyncio.sleep(0.05)
            left = execute(
                yard.settings, "SELECT count(*) FROM procrastinate_jobs WHERE id = ANY(%s)", thumbnails
            )
            receipt = receipt_body(await card.commit())
        finally:
            worker.terminate()
    assert left == [(3,)], "thumbnails went first"
    assert len(receipt.files) == 2

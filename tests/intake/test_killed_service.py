"""Service and worker end without warning at every named point; what comes after finds one of everything."""

from __future__ import annotations

import signal
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from msgspec.structs import replace

from service.contract.cards import LARGE_FROM
from service.contract.failpoints import SERVICE
from service.objects import ObjectSettings
from service.settings import Settings
from tests.intake.factories import CardBack, Yard, claim, file_of, fresh_seed, jpeg, receipt_body
from tests.intake.protocol import Sender, random_bytes, work_off, worker_status
from tests.live_service import ROOT, Running, client_of, execute, running_service, token_of_agent

pytestmark = pytest.mark.anyio

IN_WORKER = {"large.verified"}


@pytest.fixture(scope="module")
def settings(service_settings: Settings, module_database_url: str, bucket: ObjectSettings) -> Settings:
    """A database and a bucket of this file's own, so that everything in them can be counted."""
    return replace(service_settings, database_url=module_database_url, s3_bucket=bucket.bucket)


@pytest.fixture(scope="module")
def survivor(settings: Settings, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """The service as it is started again."""
    with running_service(settings, tmp_path_factory.mktemp("survivor")) as running:
        yield running


def _card(yard: Yard) -> CardBack:
    """Three pictures, one of them twice, in two parts; and a video that goes by parts."""
    seed = fresh_seed()
    video = random_bytes(LARGE_FROM + 1)
    bodies = [jpeg(seed), jpeg(seed + 1), jpeg(seed), video]
    files = [file_of(f"A/{n}.JPG", body, claim(yard.inspection_id)) for n, body in enumerate(bodies)]
    files[3] = file_of("A/4.MP4", video, claim(yard.inspection_id), kind="video", picture=None)
    card = yard.card_of(files, bodies)
    card.per_part = 3
    return card


def _originals(settings: Settings) -> Counter[str]:
    """Every original in the bucket by digest, and every upload by parts that is not over."""
    client = client_of(settings)
    held = client.list_objects_v2(Bucket=settings.s3_bucket, Prefix="originals/").get("Contents", [])
    begun = client.list_multipart_uploads(Bucket=settings.s3_bucket).get("Uploads", [])
    client.close()
    return Counter([one["Key"].rpartition("/")[2] for one in held] + [one["UploadId"] for one in begun])


def _age_heartbeats(settings: Settings) -> None:
    """A minute later: the queue takes a worker for dead that has said nothing for so long."""
    execute(settings, "UPDATE procrastinate_workers SET last_heartbeat = now() - interval '2 minutes'")


def _ended(service: Running) -> bool:
    deadline = time.monotonic() + 20
    while service.child.runs() and time.monotonic() < deadline:
        time.sleep(0.05)
    return not service.child.runs()


@pytest.mark.parametrize("point", SERVICE)
async def test_p01_a_service_killed_at_any_point_leaves_one_object_one_row_one_receipt(
    point: str, yard: Yard, settings: Settings, survivor: Running, tmp_path: Path
) -> None:
    card, before = _card(yard), _originals(settings)
    token = token_of_agent(settings, yard.made.site)[1]
    if point in IN_WORKER:

        async def die() -> None:
            assert worker_status(settings, SIGHTLEDGER_FAILPOINT=point) == -signal.SIGKILL

        sender = Sender(card, survivor.client(token), die)
        sender.open()
        sender.part(1)
        with pytest.raises(AssertionError, match="not verified"):
            await sender.send_large(card.files[3].sha256, turns=2)
        _age_heartbeats(settings)
    else:
        with running_service(settings, tmp_path, SIGHTLEDGER_FAILPOINT=point) as dying:
            sender = Sender(card, dying.client(token), lambda: work_off(yard))
            with pytest.raises(httpx.TransportError):
                await sender.send()
            assert _ended(dying)
    sender = Sender(card, survivor.client(token), lambda: work_off(yard))
    receipt = await sender.send()
    assert await sender.send() == sender.commit() == receipt
    assert [file.sha256 for file in receipt_body(receipt).files] == [file.sha256 for file in card.files]
    digests = {file.sha256 for file in card.files}
    assert _originals(settings) - before == Counter(digests)
    rows = execute(settings, "SELECT digest FROM images WHERE digest = ANY(%s)", list(digests))
    assert Counter(row[0] for row in rows) == Counter(digests)
    of_card = "SELECT count(*) FROM {} WHERE card_return_id = %s"
    assert execute(settings, of_card.format("sightings"), card.id) == [(len(card.files),)]
    assert execute(settings, of_card.format("receipts"), card.id) == [(1,)]
    found = execute(settings, "SELECT count(*) FROM large_files WHERE digest = ANY(%s)", list(digests))
    assert found == [(1,)]


def test_p01_every_point_of_the_service_is_reached_by_its_code() -> None:
    code = (ROOT / "service").rglob("*.py")
    sources = "".join(path.read_text("utf-8") for path in code)
    assert [point for point in SERVICE if sources.count(f'reach("{point}")') != 1] == []

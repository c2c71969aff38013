from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import threading
import time
from contextlib import closing
from functools import cache
from pathlib import Path

import pytest
import sqlalchemy as sa
from PIL import Image

from agent.pictures import judge
from agent.slates.finding import find_codes
from service.access.rules import Role
from service.contract.picture_bounds import MOST_PIXELS
from service.images import looking
from service.images.actions import FAILED, MADE, make_thumbnails
from service.images.looking import Looker
from service.images.store import images
from service.records.actions.images import read_image
from tests import factories
from tests.attack.bombs import BOMBS, many_scans, wide_png
from tests.intake.factories import Yard, file_of, fresh_seed, jpeg, rows_of

linux = pytest.mark.skipif(sys.platform != "linux", reason="read from /proc")
bombs = pytest.mark.parametrize("bomb", sorted(BOMBS))
SECONDS, MEGABYTES = 3.0, 150


@cache
def _bytes(bomb: str) -> bytes:
    return BOMBS[bomb]()


@bombs
def test_a_bomb_costs_the_worker_little_and_says_why_it_has_no_thumbnail(bomb: str) -> None:
    data = _bytes(bomb)
    with closing(Looker()) as looker:
        looker.look(jpeg(1))
        start = time.monotonic()
        found = looker.look(data)
        assert time.monotonic() - start < SECONDS
        assert found.small is None
        assert found.why
        assert _peak(looker) < MEGABYTES
        assert looker.look(jpeg(2)).small, "the next picture is looked at"


def _peak(looker: Looker) -> int:
    """Megabytes that the child ever had at once; 0 where the system does not say."""
    assert looker._child is not None
    status = Path(f"/proc/{looker._child.pid}/status")
    lines = status.read_text().splitlines() if status.exists() else []
    return max((int(line.split()[1]) // 1024 for line in lines if line.startswith("VmHWM")), default=0)


READ_IT = """
import io, sys, time, resource
from agent.pictures import judge
from agent.slates.finding import find_codes
data = sys.stdin.buffer.read()
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
start = time.process_time()
facts = judge(len(data), io.BytesIO(data))
codes = find_codes(io.BytesIO(data)) if facts.picture and not facts.marks else None
now = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(time.process_time() - start, (now - before) // 1024, facts.marks)
"""


@bombs
def test_a_bomb_on_a_card_does_not_stop_the_workstation(bomb: str) -> None:
    run = subprocess.run(
        [sys.executable, "-c", READ_IT], input=_bytes(bomb), capture_output=True, check=True, timeout=60
    )
    seconds, megabytes, marks = run.stdout.decode().split(maxsplit=2)
    assert float(seconds) < SECONDS
    assert int(megabytes) < 100
    assert marks.strip() in ("['too_large_to_judge']", "['truncated']")


def test_more_than_25_megapixels_are_kept_and_not_decoded() -> None:
    out = io.BytesIO()
    Image.new("L", (MOST_PIXELS // 5_000 + 1, 5_000)).save(out, "JPEG")
    with closing(Looker()) as looker:
        found = looker.look(out.getvalue())
    assert found.judged is not None
    assert found.judged.picture is not None
    assert found.judged.marks == []
    assert (found.small, found.why) == (None, "5001 x 5000 pixels are too many")
    assert find_codes(io.BytesIO(out.getvalue())).broken, "a person looks whether it is a slate"


def test_progressive_pictures_as_encoders_write_them_are_looked_at() -> None:
    out = io.BytesIO()
    Image.effect_noise((800, 600), 40).convert("RGB").save(out, "JPEG", progressive=True)
    data = out.getvalue()
    assert judge(len(data), io.BytesIO(data)).marks == []
    with closing(Looker()) as looker:
        assert looker.look(data).small


@pytest.mark.parametrize(
    "start", [b"GIF89a", b"RIFF\x20\0\0\0WEBP", b"\0\0\0\x0cjP  \r\n\x87\n", b"P6 9 9 255 "]
)
def test_bytes_of_a_format_that_no_scope_writes_reach_no_decoder(start: bytes) -> None:
    data = start + bytes(300)
    assert judge(len(data), io.BytesIO(data)).picture is None
    with closing(Looker()) as looker:
        assert looker.look(data).why == "the bytes begin like no picture that is looked at"


@linux
def test_the_process_that_decodes_can_open_nothing_and_knows_nothing(looker: Looker) -> None:
    os.environ["SIGHTLEDGER_TEST_SECRET"] = "not to be seen"
    try:
        with closing(Looker()) as fresh:
            fresh.look(jpeg(3))
            assert fresh._child is not None
            its = Path(f"/proc/{fresh._child.pid}")
            limits = {
                line[:25].strip(): line[25:].split() for line in (its / "limits").read_text().splitlines()
            }
            assert limits["Max open files"][:2] == ["0", "0"]
            assert limits["Max file size"][:2] == ["0", "0"]
            assert int(limits["Max address space"][1]) <= 512 * 1024 * 1024
            assert int(limits["Max cpu time"][0]) < 60
            assert (its / "environ").read_bytes() == b""
            assert sorted(os.listdir(its / "fd")) == ["0", "1", "2"]  # noqa: PTH208
            if _may_unshare():
                assert (its / "ns/net").readlink() != Path("/proc/self/ns/net").readlink()
    finally:
        del os.environ["SIGHTLEDGER_TEST_SECRET"]


def _may_unshare() -> bool:
    tried = subprocess.run(["unshare", "--user", "--net", "true"], capture_output=True, check=False)
    return tried.returncode == 0


def test_a_killed_child_is_told_as_the_reason_and_the_next_picture_is_looked_at() -> None:
    with closing(Looker()) as looker:
        looker.look(jpeg(4))
        assert looker._child is not None
        os.kill(looker._child.pid, signal.SIGKILL)
        assert looker.look(jpeg(5)).small, "what ended before its turn is not its fault"


def test_a_picture_that_takes_too_long_is_given_up_once(monkeypatch: pytest.MonkeyPatch) -> None:
    with closing(Looker()) as looker:
        looker.look(jpeg(6))
        assert looker._child is not None
        os.kill(looker._child.pid, signal.SIGSTOP)
        monkeypatch.setattr(looker, "_longest_s", 0.5)
        start = time.monotonic()
        found = looker.look(jpeg(7))
        assert time.monotonic() - start < 2
        assert found == looking.Look(why=looking.TOO_LATE)
        monkeypatch.undo()
        assert looker.look(jpeg(7)).small


def test_a_worker_that_ends_waits_for_no_picture_and_blames_none() -> None:
    looker = Looker()
    looker.look(jpeg(8))
    assert looker._child is not None
    os.kill(looker._child.pid, signal.SIGSTOP)
    raised: list[BaseException] = []

    def look() -> None:
        try:
            looker.look(jpeg(9))
        except looking.NoChild as error:
            raised.append(error)

    waiting = threading.Thread(target=look)
    waiting.start()
    time.sleep(0.2)
    start = time.monotonic()
    looker.close()
    waiting.join()
    assert time.monotonic() - start < 5
    assert len(raised) == 1


def test_threads_that_look_at_once_get_their_own_answers(looker: Looker) -> None:
    sizes: dict[int, int] = {}

    def look(width: int) -> None:
        judged = looker.look(jpeg(width, (width, 40))).judged
        assert judged is not None
        assert judged.picture is not None
        sizes[width] = judged.picture.width

    threads = [threading.Thread(target=look, args=(width,)) for width in range(60, 68)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sizes == {width: width for width in range(60, 68)}


@pytest.mark.anyio
async def test_a_bomb_is_recorded_with_its_reason_and_not_tried_again(yard: Yard, looker: Looker) -> None:
    good, bodies = jpeg(fresh_seed()), [wide_png(), many_scans()]
    files = [file_of(f"A/{n}.JPG", body, picture=None) for n, body in enumerate([*bodies, good])]
    card = yard.card_of(files, [*bodies, good])
    await card.go_through()
    digests = [file.sha256 for file in files]
    outcome = await make_thumbnails(yard.db, yard.objects, looker, digests)
    assert outcome == dict(zip(digests, [FAILED, FAILED, MADE], strict=True))
    assert await make_thumbnails(yard.db, yard.objects, looker, digests) == {}
    reader = await factories.person(yard.db, Role.AUDITOR)
    shown, _ = await read_image(yard.db, reader, digests[0])
    assert shown.no_thumbnail == "8900 x 8900 pixels are too many"
    assert shown.size == len(bodies[0]), "nothing is lost"
    rows = await rows_of(yard.db, sa.select(images).where(images.c.digest.in_(digests)))
    assert {row["no_thumbnail"] is None for row in rows if row["thumbnail"] == MADE} == {True}

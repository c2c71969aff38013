"""Preparing a card: everything or nothing, and never over anybody's pictures."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
from pathlib import Path
from typing import Any

import pytest

from agent.cards import preparing
from agent.cards.identifying import pick_inspection
from agent.cards.marker import MARKER_NAME, read_marker
from agent.errors import AgentError
from tests.agent.station import Bench, jpeg, put

SHOWN = (
    "Prove isolation first.",
    "Withdraw the probe first.",
    "macropitting",
    "stamped zero",
    "30 x tooth",
    "3 required",
    "any crack",
    "P2",
    "permit system",
    "INVENTED",
)


def listing(root: Path) -> dict[str, str]:
    return {
        str(path.relative_to(root)): hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
        for path in root.rglob("*")
    }


def test_a_prepared_card_says_whose_it_is(bench: Bench) -> None:
    made = bench.prepare()
    marker = read_marker(bench.card)
    assert marker == made
    assert marker is not None
    assert (marker.unit, marker.revision, marker.scope) == ("U-100", "A", "VS-1")
    for path, folder in marker.folders.items():
        assert (bench.card / path).is_dir()
        assert folder.location in {"G.ID", "G.RING"}
    for path, digest in marker.own_files.items():
        assert hashlib.sha256((bench.card / path).read_bytes()).hexdigest() == digest
    assert not list(bench.card.glob(f"{preparing.TEMPORARY}*"))


def test_i13_the_job_sheet_shows_cautions_first_and_leaves_the_authority_where_it_is(bench: Bench) -> None:
    bench.prepare()
    text = (bench.card / "SIGHTLEDGER-JOB.txt").read_text("utf-8")
    page = (bench.card / "SIGHTLEDGER-JOB.html").read_text("utf-8")
    for sheet in (text, page):
        for shown in SHOWN:
            assert shown in sheet
        assert sheet.index("Prove isolation first.") < sheet.index("G.ID")
        assert "does not say" in sheet
    assert "http" not in page
    assert "<script" not in page


def test_a_caution_whose_text_is_not_held_is_not_passed_over(bench: Bench) -> None:
    bench.station.cache.keep("cautions", b"{}")
    bench.prepare()
    assert "ISOL: text not on this workstation" in (bench.card / "SIGHTLEDGER-JOB.txt").read_text("utf-8")


def test_the_preparation_is_queued_for_the_service(bench: Bench) -> None:
    made = bench.prepare()
    [(card_id, _)] = bench.station.outbox.preparations.unsent()
    assert card_id == made.card_id


def test_preparing_again_replaces_the_earlier_preparation(bench: Bench) -> None:
    first = bench.prepare("deep")
    second = bench.prepare("two-level")
    assert first.card_id != second.card_id
    assert read_marker(bench.card) == second
    assert not (bench.card / "01 Gears").exists()


def test_i6_pictures_are_never_written_over(bench: Bench) -> None:
    put(bench.card, "DCIM/100TWVS/TWVS0001.JPG", jpeg(1))
    before = listing(bench.card)
    with pytest.raises(AgentError, match=r"TWVS0001\.JPG") as refusal:
        bench.prepare()
    assert "do not wipe" in refusal.value.text()
    assert listing(bench.card) == before
    assert not bench.station.outbox.preparations.unsent()


def test_i6_even_held_pictures_are_left_for_a_person_to_wipe(bench: Bench) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    return_id = bench.read()
    bench.station.outbox.hold(return_id, b"{}")
    with pytest.raises(AgentError, match=r"A\.JPG") as refusal:
        bench.prepare()
    assert "a person may wipe the card" in refusal.value.text()
    assert (bench.card / "A.JPG").exists()


def test_pictures_in_the_leftovers_of_a_broken_preparation_are_not_ours(bench: Bench) -> None:
    put(bench.card, f"{preparing.TEMPORARY}x/01 G.ID/A.JPG", jpeg(1))
    with pytest.raises(AgentError, match=r"A\.JPG"):
        bench.prepare()


def test_own_leftovers_are_cleared(bench: Bench) -> None:
    put(bench.card, f"{preparing.TEMPORARY}x/{MARKER_NAME}", b"{half")
    (bench.card / f"{preparing.TEMPORARY}x/01 G.ID").mkdir()
    bench.prepare()
    assert not list(bench.card.glob(f"{preparing.TEMPORARY}*"))


def test_a_full_card_is_refused_before_anything_is_written(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    free: Any = shutil.disk_usage(bench.card)._replace(free=1000)
    monkeypatch.setattr(shutil, "disk_usage", lambda path: free)
    with pytest.raises(AgentError, match="B free"):
        bench.prepare()
    assert listing(bench.card) == {}


@pytest.mark.parametrize("breaks_at", range(1, 5))
def test_nothing_half_written_stays_when_the_card_fails(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, breaks_at: int
) -> None:
    put(bench.card, "System Volume Information/x", b"1")
    before, calls, real = listing(bench.card), [0], os.fsync

    def failing(handle: int) -> None:
        calls[0] += 1
        if calls[0] == breaks_at:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(handle)

    monkeypatch.setattr(os, "fsync", failing)
    with pytest.raises(AgentError, match="No space left"):
        bench.prepare()
    assert listing(bench.card) == before


def test_i12_an_unknown_serial_is_answered_with_the_nearest(bench: Bench) -> None:
    with pytest.raises(AgentError) as refusal:
        pick_inspection(bench.station.cache, "U-10O")
    assert "Nearest: U-100" in refusal.value.text()
    assert pick_inspection(bench.station.cache, "u-200").unit == "U-200"


def test_a_flat_card_carries_its_order(bench: Bench) -> None:
    marker = bench.prepare("flat-dcf")
    assert marker.folders == {}
    assert [one.location for one in marker.order] == ["G.ID", "G.RING", "G.RING", "G.RING"]

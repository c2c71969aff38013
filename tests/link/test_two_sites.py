"""The same pictures pushed at once by two sites, and by two workstations of one site."""

from __future__ import annotations

import asyncio
import shutil
import threading
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from agent.client.store import Outcome, Store
from agent.settings import State
from service.contract.cards import ReceiptBody
from tests.agent.sites import make_unit
from tests.link.far import Far, enrolled, picture, prepared, push_card
from tests.live_service import execute


def another_with_the_same(far: Far, site: str, unit: str, folder: Path, size: int) -> tuple[State, Path]:
    """A further workstation, and a card of its own with the same twelve pictures of this size."""
    other = enrolled(far.service, far.to_service.url, site, folder / "other", "other")
    card = folder / "other-card"
    prepared(other, unit, card)
    for number in range(12):
        far.put(f"01 A/TWVS{number:04}.JPG", picture(size))
    shutil.copytree(far.card / "01 A", card / "01 A", dirs_exist_ok=True)
    return other, card


def test_p19_the_same_pictures_at_two_sites_at_once_are_one_image_each_and_two_sightings(
    far: Far, database_url: str, tmp_path: Path
) -> None:
    other, card = another_with_the_same(far, *asyncio.run(make_unit(database_url)), tmp_path, 40_000)
    far.to_store.faults.up_rate = 300_000
    receipts: list[ReceiptBody] = []
    start = threading.Barrier(2)

    def go(state: object, root: Path) -> None:
        receipts.append(push_card(state, root, start.wait))  # type: ignore[arg-type]

    before = len(far.to_store.statuses)
    both = [threading.Thread(target=go, args=one) for one in ((far.state, far.card), (other, card))]
    for thread in both:
        thread.start()
    for thread in both:
        thread.join(60)
    assert len(receipts) == 2
    first, second = ({file.sha256 for file in one.files} for one in receipts)
    assert first == second
    assert len(first) == 12
    [(images, sightings, returns)] = execute(
        far.service.settings,
        "SELECT count(DISTINCT digest), count(*), count(DISTINCT card_return_id) FROM images"
        " JOIN sightings USING (digest) WHERE digest = ANY(%s)",
        list(first),
    )
    assert (images, sightings, returns) == (12, 24, 2)
    [(rows,)] = execute(
        far.service.settings, "SELECT count(*) FROM images WHERE digest = ANY(%s)", list(first)
    )
    assert rows == 12
    answers = Counter(list(far.to_store.statuses)[before:])
    assert answers == {200: 24}, "each site sends its own, and the store tells nothing of the other's"


def test_p19_who_comes_second_of_one_site_to_the_store_with_a_ticket_is_told_412_and_is_done(
    far: Far, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other, card = another_with_the_same(far, far.site, far.unit, tmp_path, 4_000)
    before = len(far.to_store.statuses)
    first_is_through, second_has_tickets, put = threading.Event(), threading.Event(), Store.put

    def in_turn(self: Store, ticket: Any, path: Path) -> Outcome:
        if other.folder in path.parents:
            second_has_tickets.set()
            assert first_is_through.wait(60)
        else:
            assert second_has_tickets.wait(60)
        return put(self, ticket, path)

    monkeypatch.setattr(Store, "put", in_turn)
    receipts: list[ReceiptBody] = []
    second = threading.Thread(target=lambda: receipts.append(push_card(other, card)))
    second.start()
    receipts.append(push_card(far.state, far.card))
    assert Counter(list(far.to_store.statuses)[before:]) == {200: 12}
    first_is_through.set()
    second.join(60)
    assert Counter(list(far.to_store.statuses)[before:]) == {200: 12, 412: 12}
    assert len(receipts) == 2
    assert {file.sha256 for file in receipts[0].files} == {file.sha256 for file in receipts[1].files}

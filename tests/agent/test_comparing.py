"""An older state of the service's database: agents notice, and bring back what they hold receipts for."""

from __future__ import annotations

from contextlib import closing
from uuid import UUID

import pytest

from agent.running.runner import Runner
from agent.workstation import Workstation
from tests.agent.sites import Site
from tests.agent.station import jpeg, put
from tests.live_service import Running, client_of, rewriting

# In the order of their references.
OF_RETURN = (
    "DELETE FROM unit_images WHERE digest IN (SELECT digest FROM sightings WHERE card_return_id=%(id)s)",
    "DELETE FROM placements WHERE sighting_id IN (SELECT id FROM sightings WHERE card_return_id=%(id)s)",
    "DELETE FROM statements WHERE card_return_id=%(id)s",
    "DELETE FROM receipts WHERE card_return_id=%(id)s",
    "DELETE FROM return_locks WHERE card_return_id=%(id)s",
    "DELETE FROM awaited_files WHERE card_return_id=%(id)s",
    "DELETE FROM card_return_parts WHERE card_return_id=%(id)s",
)
RECORD = (
    "placements",
    "statements",
    "receipts",
    "card_return_parts",
    "sightings",
    "image_readings",
    "images",
    "card_returns",
)


def forget(url: str, return_id: str) -> None:
    """The database as it was before this card return came: nothing of it, nor of its images."""
    with rewriting(url, *RECORD) as past:
        for statement in OF_RETURN:
            past.execute(statement, {"id": UUID(return_id)})
        gone = past.execute(
            "DELETE FROM sightings WHERE card_return_id=%(id)s RETURNING digest", {"id": UUID(return_id)}
        )
        digests = list({digest for (digest,) in gone})
        for table in ("image_readings", "image_custody", "images"):
            past.execute(f"DELETE FROM {table} WHERE digest=ANY(%s)", [digests])
        past.execute("DELETE FROM card_returns WHERE id=%s", [UUID(return_id)])


@pytest.fixture
def lines() -> list[str]:
    return []


def run_once(site: Site, lines: list[str]) -> list[str]:
    return [trouble.text() for trouble in Runner(site.state, lines.append).once()]


def held(site: Site) -> dict[str, str]:
    return {row["id"]: row["custody"] for row in site.status()["cardReturns"]}


def test_i6_returns_that_a_restored_database_lost_are_offered_again_from_the_spool(
    site: Site, database_url: str, lines: list[str]
) -> None:
    taken = site.prepared(4)
    site.agent("read", str(site.card), "--push")
    [return_id] = held(site)
    assert run_once(site, lines) == []
    assert not any("no longer knows" in line for line in lines)
    forget(database_url, return_id)
    with Workstation(site.state) as station:
        assert station.outbox.returns.get(UUID(return_id)).state == "held"
    assert run_once(site, lines) == []
    assert any("no longer knows 1 card returns" in line for line in lines)
    [words] = held(site).values()
    assert "held centrally - receipt" in words
    listed = site.get(f"/card-returns/{return_id}")
    assert (listed["state"], listed["files"]) == ("committed", len(taken))
    assert len(site.get(f"/units/{site.unit}/images")["items"]) == len(taken)


def test_i6_what_the_store_still_has_needs_no_copy_here(
    site: Site, database_url: str, lines: list[str]
) -> None:
    """The spool has let the copies go: the bytes lie in the store, where no row names them any more."""
    site.prepared(3)
    site.agent("read", str(site.card), "--push")
    [return_id] = held(site)
    with Workstation(site.state) as station:
        for digest in list(station.outbox.originals.prunable(None)):
            station.outbox.originals.note_pruned([digest])
            station.spool.remove(digest)
    forget(database_url, return_id)
    assert run_once(site, lines) == []
    assert "held centrally - receipt" in held(site)[return_id]


def test_i6_what_is_in_neither_place_asks_for_the_card(
    site: Site, service: Running, database_url: str, lines: list[str]
) -> None:
    taken = site.prepared(3)
    site.agent("read", str(site.card), "--push")
    [return_id] = held(site)
    with Workstation(site.state) as station:
        digests = list(station.outbox.originals.prunable(None))
        for digest in digests:
            station.outbox.originals.note_pruned([digest])
            station.spool.remove(digest)
    with closing(client_of(service.settings)) as client:
        for digest in digests:
            key = f"originals/{site.code}/sha256/{digest[:2]}/{digest}"
            told = client.list_object_versions(Bucket=service.settings.s3_bucket, Prefix=key)
            for version in told["Versions"]:
                client.delete_object(
                    Bucket=service.settings.s3_bucket, Key=key, VersionId=version["VersionId"]
                )
    forget(database_url, return_id)
    card = site.card.rename(site.card.parent.parent / "out")
    troubles = run_once(site, lines)
    assert any("put the card in" in trouble.lower() for trouble in troubles), troubles
    assert f"{len(taken)} files are no longer here as they were read" in held(site)[return_id]
    card.rename(site.card)
    site.agent("read", str(site.card), "--push")
    assert run_once(site, lines) == []
    assert all("held centrally - receipt" in words for words in held(site).values()), held(site)


def test_a_service_that_lost_nothing_is_asked_in_one_request(site: Site, lines: list[str]) -> None:
    site.prepared(1)
    site.agent("read", str(site.card), "--push")
    put(site.card, "01 A/TWVS0002.JPG", jpeg(7))
    site.agent("read", str(site.card), "--push")
    asked: list[int] = []
    from agent.client.service import Service

    real = Service.known_returns

    def known(self: Service, returns: list[tuple[UUID, str]]) -> set[UUID]:
        asked.append(len(returns))
        return real(self, returns)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Service, "known_returns", known)
        run_once(site, lines)
    assert asked == [2]

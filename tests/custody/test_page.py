"""What people see of custody: the page and the API, over the running service."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from service.contract.custody import RetentionIn
from service.custody.actions.audit import audit_all
from service.custody.actions.retain import retain
from service.custody.actions.retention import record_retention
from service.custody.actions.sweep import sweep
from service.database import Database
from service.objects.holding import Holding
from service.settings import Settings
from tests.intake.factories import Yard, claim, jpeg
from tests.live_service import running_service
from tests.web.wellformed import Outline

pytestmark = pytest.mark.anyio


async def test_p27_p28_the_page_tells_what_is_not_sound_where_it_was_seen_and_what_is_locked(
    yard: Yard, db: Database, holding: Holding, s3: Any, settings: Settings, tmp_path: Path
) -> None:
    with running_service(settings, tmp_path) as service:
        auditor = service.client_for(["auditor"])
        empty = auditor.get("/custody").text
        assert "No data." in empty
        assert Outline(empty).faults == []
        card = yard.card(*((f"A/{n}.JPG", jpeg(n), claim(yard.inspection_id)) for n in range(3)))
        await card.go_through()
        digest = card.files[0].sha256
        async with db.begin() as connection:
            await record_retention(connection, yard.made.site, RetentionIn(30), by=None)
        await retain(db, holding)
        s3.put_object(Bucket=settings.s3_bucket, Key=yard.original(digest).key, Body=b"other bytes")
        await audit_all(db, holding)
        await sweep(db, holding, 1)
        page = auditor.get("/custody").text
        assert Outline(page).faults == []
        for told in (
            "<strong>1 original is not sound.</strong>",
            digest,
            f'href="/units/{yard.serial}/images/{digest}"',
            str(card.id),
            "an earlier version that is sound",
            f"{yard.made.site}: 30 days, governance",
            "3 of 3",
        ):
            assert told in page, told
        custody = auditor.get("/api/v1/custody").json()
        assert (custody["held"], custody["damaged"], custody["locked"]) == (3, 1, 3)
        assert [run["kind"] for run in custody["runs"]] == ["audit", "retention", "sweep"]
        metrics = service.client(settings.metrics_token).get("/metrics").text
        assert "\nsightledger_originals_damaged 1.0\n" in metrics

        inspector = service.client_for(["inspector"])
        assert inspector.get("/custody", headers={"Accept": "text/html"}).status_code == 403
        assert 'href="/custody"' not in inspector.get("/").text
        assert inspector.get("/api/v1/custody").status_code == 403

        address = f"/api/v1/sites/{yard.made.site}/retention"
        administrator = service.client_for(["administrator"])
        seen = administrator.get(address)
        assert seen.json()["days"] == 30
        wanted = {"days": 60, "mode": "compliance"}
        assert administrator.put(address, json=wanted).status_code == 428
        tag = {"If-Match": seen.headers["etag"]}
        assert auditor.put(address, json=wanted, headers=tag).status_code == 403
        assert administrator.put(address, json=wanted, headers=tag).json()["number"] == 2
        assert administrator.put(address, json={"days": 90}, headers=tag).status_code == 412

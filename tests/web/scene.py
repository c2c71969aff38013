"""One seeded scene behind the running service: two sites, every state of a location, odd files."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any
from uuid import UUID

import httpx

from service.access.rules import Role
from service.campaigns.actions import opening, reading
from service.campaigns.actions.stating import make_statement
from service.contract.campaigns import CampaignIn
from service.contract.wire import new_id
from service.contract.work import StatementIn
from service.database import EVERY_SITE, Database
from service.images.actions import MADE
from service.images.rules import reduced
from service.objects import Objects, Original, thumbnail_key
from service.settings import Settings
from tests import factories
from tests.web.factories import TAKEN, Card, Picture, hold, jpeg

HOSTILE = "<script>alert(1)</script>"
# A right-to-left override makes a name's end look like its middle; a line separator breaks the line.
HOSTILE_PATH = f"DCIM/\u202egpj.exe\u2028{HOSTILE}\"'>.JPG"
# `pages(roles, sites=None)` of conftest.py.
Pages = Callable[..., httpx.Client]


@dataclass
class Scene:
    """Serial numbers by what they stand for."""

    fleet: factories.Fleet
    campaign: UUID
    worked: str
    untouched: str
    other_build: str
    elsewhere: str
    pictures: list[Picture]

    @property
    def first(self) -> Picture:
        return self.pictures[0]


def addresses(scene: Scene) -> list[str]:
    return [
        "/",
        f"/?site={scene.fleet.site}&campaign={scene.campaign}",
        f"/campaigns/{scene.campaign}",
        f"/campaigns/{scene.campaign}?site={scene.fleet.site}&state=conflict",
        "/units",
        f"/units?find={scene.fleet.name}",
        f"/units/{scene.worked}",
        f"/units/{scene.untouched}",
        f"/units/{scene.worked}?location=A&element=3&condition=&evaluation=&since=2026-11-20&until=2026-11-20",
        f"/units/{scene.worked}/images/{scene.pictures[0].digest}",
        f"/units/{scene.worked}/images/{scene.pictures[1].digest}",
    ]


async def seeded(settings: Settings, objects: Objects) -> Scene:
    db = Database(settings.database_url, scope=EVERY_SITE)
    try:
        made = await factories.fleet(db)
        worked, untouched = await factories.add_units(db, made, 2)
        [other_build] = await factories.add_units(db, made, 1, build="Y")
        [elsewhere] = await factories.add_units(db, made, 1, site=made.other_site)
        many = await factories.add_units(db, made, 60, site=made.other_site)
        manager = await factories.person(db, Role.MANAGER)
        wanted = CampaignIn(
            name=f"Autumn {HOSTILE} {made.name}",
            plan=made.plan,
            opens=date(2026, 9, 1),
            closes=date(2026, 11, 30),
            units=[worked, untouched, other_build, elsewhere, *many],
        )
        campaign = await opening.put_campaign(db, manager, new_id(), wanted, unchanged=None)
        rows, _ = await reading.list_inspections(
            db, manager, campaign.id, site=None, state=None, after=None, limit=500
        )
        inspections = {row.unit: row.id for row in rows}
        await _say(db, inspections[worked])
        pictures = await _pictures(db, objects, made, inspections[worked])
        return Scene(made, campaign.id, worked, untouched, other_build, elsewhere, pictures)
    finally:
        await db.close()


async def _say(db: Database, inspection_id: UUID) -> None:
    lead = await factories.person(db, Role.SHIFT_LEAD)

    async def say(kind: Any, key: str, **more: Any) -> None:
        statement = StatementIn(
            id=new_id(), inspection_id=inspection_id, kind=kind, locations=[key], stated_at=TAKEN, **more
        )
        await make_statement(db, lead, statement)

    blocked = "not_inspected_reason:port_seized"
    await say("complete", "A", stated_by="Ines Marrow")
    await say("complete", "B", stated_by="Ines Marrow")
    await say("not_inspected", "B", stated_by="Bo Tarrant", reason=blocked)
    await say("not_inspected", "C", stated_by=HOSTILE, reason=blocked, note=HOSTILE)


async def _pictures(
    db: Database, objects: Objects, made: factories.Fleet, inspection_id: UUID
) -> list[Picture]:
    workstation = await factories.agent(db, made, made.site)
    card = Card(made.sites[made.site], workstation.id, inspection_id, person=HOSTILE)
    exif = {
        "DateTimeOriginal": "2026:11:20 09:12:03",
        "OffsetTimeOriginal": "+01:00",
        "ImageDescription": HOSTILE,
    }
    held = [
        Picture("A", jpeg(n), f"A/TWVS{n:04}.JPG", n, element=n, taken=TAKEN + timedelta(seconds=n))
        for n in range(1, 31)
    ]
    held[-1] = replace(
        held[-1],
        thumbnail=MADE,
        evaluation="nothing_recordable",
        condition="gear_damage_1995:1.1.2",
        exif=exif,
        note=HOSTILE,
    )
    odd = [
        Picture(
            None,
            jpeg(99),
            HOSTILE_PATH,
            40,
            marks=("not_an_image",),
            format=None,
            pixels=None,
            taken=TAKEN + timedelta(hours=1),
        )
    ]
    await hold(db, card, held + odd)
    seen = held[-1]
    await objects.write(thumbnail_key(seen.digest), reduced(seen.raw), "image/jpeg")
    ticket = objects.presign_put(Original(made.site, seen.digest), len(seen.raw), "image/jpeg")
    httpx.put(
        ticket.url, headers=ticket.headers, content=seen.raw, trust_env=False, timeout=30
    ).raise_for_status()
    return [seen, odd[0], *held[:-1]]

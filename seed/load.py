"""Fills a database with the invented fleet, by the use cases that people use. Again changes nothing."""

from __future__ import annotations

import asyncio
import json
import secrets
from datetime import UTC, date, datetime, time
from pathlib import Path
from uuid import UUID

from seed.cast import DEMO_UNITS, PEOPLE, Person
from seed.identity import demo_id
from seed.scenario import Plan, Revision, Scenario, Unit, load_scenario
from service.access import store
from service.access.actions import people
from service.access.actions.passwords import hash_password
from service.access.actions.sites import put_site
from service.access.rules import Caller, Role
from service.campaigns.actions import opening
from service.contract.access import AccountIn, Site, SiteIn
from service.contract.campaigns import CampaignIn
from service.contract.plans import BuildIn, EventKind, PlanIn, RevisionEventIn, TypeIn
from service.contract.records import UnitIn
from service.database import Database
from service.errors import Conflict
from service.parts import Parts
from service.plans.actions import catalogue, transitions
from service.plans.actions.revisions import create_draft, read_revision
from service.plans.document import check_text
from service.settings import Settings
from service.units.actions import create_unit

PLANS = Path(__file__).with_name("plans")
# Revision C of the gearbox plan is written, approved and published while the demo's story is played.
LATER = ("VIP-KG3-P", "C")
CAMPAIGNS = {"KG3": "VIP-KG3-P", "LT40": "VIP-LT40-P"}


def load(settings: Settings, *, full: bool, accounts: Path | None) -> str:
    """Load the fleet; `accounts` is a file with a JSON object of login and password, made if missing.

    Answers what was loaded, in words.
    """
    return asyncio.run(_load(settings, full, _passwords(accounts)))


def _passwords(file: Path | None) -> dict[str, str]:
    known: dict[str, str] = json.loads(file.read_text()) if file is not None and file.exists() else {}
    return {person.login: known.get(person.login) or secrets.token_urlsafe(12) for person in PEOPLE}


async def _load(settings: Settings, full: bool, passwords: dict[str, str]) -> str:
    scenario = load_scenario()
    parts = Parts(settings, every_site=True)
    db = parts.db
    try:
        first, *others = PEOPLE
        made = [first] if await _load_account(db, first, passwords[first.login]) else []
        await _load_sites(db, scenario)
        made += [person for person in others if await _load_account(db, person, passwords[person.login])]
        await _load_types(db, scenario)
        for plan in scenario.plans:
            await _load_plan(db, plan)
        units = [unit for unit in scenario.units if full or unit.serial in DEMO_UNITS]
        for unit in units:
            await _load_unit(db, unit)
        if full:
            await _open_campaigns(db, scenario, units)
    finally:
        await parts.close()
    lines = [f"invented fleet: {len(scenario.sites)} sites, {len(units)} units, {len(scenario.plans)} plans"]
    lines += [f"account {person.login} password {passwords[person.login]}" for person in made]
    return "\n".join(lines)


def caller(login: str) -> Caller:
    """One of the demo's people, as the service sees them when they call."""
    person = next(person for person in PEOPLE if person.login == login)
    return Caller(
        id=demo_id("account", login),
        name=person.name,
        roles=frozenset(Role(role) for role in person.roles),
        sites=None if person.sites is None else frozenset(person.sites),
    )


async def _load_sites(db: Database, scenario: Scenario) -> None:
    def as_it_is(_held: Site) -> None:
        raise Conflict("The site is already recorded otherwise; the demo does not change it.")

    for site in scenario.sites:
        wanted = SiteIn(
            name=site.name, kind=site.kind, time_zone=site.time_zone, card_profile=site.card_profile
        )
        await put_site(db, caller("admin"), site.code, wanted, as_it_is)


async def _load_account(db: Database, person: Person, password: str) -> bool:
    password_hash = await hash_password(password)
    async with db.begin() as connection:
        if await store.account(connection, demo_id("account", person.login)) is not None:
            return False
        wanted = AccountIn(
            login=person.login,
            name=person.name,
            roles=list(person.roles),
            sites=None if person.sites is None else list(person.sites),
            password=password,
        )
        account_id = demo_id("account", person.login)
        await people.add_account(connection, account_id, wanted, password_hash, by=None)
    return True


async def _load_types(db: Database, scenario: Scenario) -> None:
    author = caller("quennell")
    for kind in scenario.types:
        await catalogue.put_type(db, author, kind.code, TypeIn(id=demo_id("type", kind.code), name=kind.name))
        for build in kind.builds:
            wanted = BuildIn(id=demo_id("build", build.code), name=build.name)
            await catalogue.put_build(db, author, kind.code, build.code, wanted)


async def _load_plan(db: Database, plan: Plan) -> None:
    wanted = PlanIn(id=demo_id("plan", plan.code), title=plan.title, equipment_type=plan.type)
    await catalogue.put_plan(db, caller("quennell"), plan.code, wanted)
    for revision in plan.revisions:
        if (plan.code, revision.label) != LATER:
            await _load_revision(db, plan.code, revision)


async def _load_revision(db: Database, code: str, revision: Revision) -> None:
    author, approver = caller("quennell"), caller("aldous")
    revision_id = demo_id("revision", code, revision.label)
    document = check_text(plan_text(code, revision.label), plan_file(code, revision.label).name)
    await create_draft(db, author, revision_id, document)
    if revision.state == "draft":
        return
    await _step(db, author, revision_id, "submitted")
    if revision.effective is not None:
        await _step(db, approver, revision_id, "approved")
        await _step(db, approver, revision_id, "published", since=revision.effective)


async def _step(
    db: Database, who: Caller, revision_id: UUID, kind: EventKind, *, since: date | None = None
) -> None:
    """One event in the life of a revision, once."""
    event_id = demo_id("event", str(revision_id), kind)
    held = await read_revision(db, who, revision_id)
    if any(event.id == event_id for event in held.events):
        return
    wanted = RevisionEventIn(
        id=event_id,
        kind=kind,
        replaces=held.heads,
        note=None if since is None else "invented history of the demo",
        effective_from=None if since is None else datetime.combine(since, time(), UTC),
        backdated=since is not None,
    )
    await transitions.record_event(db, who, revision_id, wanted)


async def _load_unit(db: Database, unit: Unit) -> None:
    wanted = UnitIn(
        id=demo_id("unit", unit.serial),
        type=unit.type,
        build=unit.build,
        site=unit.site,
        since=date(2024, 1, 1),
        position=unit.position,
        invented=True,
    )
    await create_unit(db, caller("idowu"), unit.serial, wanted)


async def _open_campaigns(db: Database, scenario: Scenario, units: list[Unit]) -> None:
    for kind, plan in CAMPAIGNS.items():
        name = campaign_name(scenario, kind)
        serials = [unit.serial for unit in units if unit.type == kind]
        window = scenario.campaign
        wanted = CampaignIn(name=name, plan=plan, opens=window.opens, closes=window.closes, units=serials)
        await opening.put_campaign(db, caller("idowu"), demo_id("campaign", name), wanted, unchanged=None)


def campaign_name(scenario: Scenario, kind: str) -> str:
    """The demo's campaign over one equipment type."""
    return f"{scenario.campaign.name}, {next(one.name for one in scenario.types if one.code == kind)}"


def plan_file(code: str, label: str) -> Path:
    return PLANS / f"{code}-{label}.yaml"


def plan_text(code: str, label: str) -> str:
    """The YAML text of one of the demo's plan documents."""
    return plan_file(code, label).read_text(encoding="utf-8")

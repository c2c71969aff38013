"""deploy/OPERATING.md tried by its own commands: an older database restored, pictures that came after it."""

from __future__ import annotations

import os
import re
from base64 import urlsafe_b64decode
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from uuid import UUID

import msgspec
import psycopg
import pytest
from psycopg import sql
from sqlalchemy import make_url

from deploy.embedded.postgres import Postgres
from service.access.actions.groups import Rights, read_groups
from service.access.rules import Caller
from service.contract.access import JwkSet
from service.contract.cards import Receipt
from service.contract.comparing import ReturnAsked
from service.contract.signature import verify_receipt
from service.custody.actions.sweep import sweep
from service.database import EVERY_SITE, Database, metadata
from service.database_roles import is_record
from service.intake.actions.returns import known_returns
from service.parts import open_holding
from service.settings import Settings
from service.signing import Signer
from tests.commands.own_process import sightledger
from tests.documents import Shell, blocks
from tests.intake.factories import CardBack, Yard, claim, fresh_seed, jpeg, receipt_body
from tests.live_service import (
    ROOT,
    environment_of,
    owners_url,
    rewriting,
    running_service,
    token_of_agent,
    token_of_person,
)

pytestmark = pytest.mark.anyio
OPERATING = ROOT / "deploy" / "OPERATING.md"


@pytest.fixture
def settings(settings_apart: Settings) -> Settings:
    return settings_apart


@pytest.fixture
def shell(settings: Settings, tmp_path: Path) -> Iterator[Shell]:
    """An operator's terminal, with PostgreSQL's programs; a database that it restored is dropped."""
    owner = {"SIGHTLEDGER_MIGRATION_DATABASE_URL": owners_url(settings)}
    terminal = Shell(tmp_path, environment_of(settings, **owner))
    programs = Postgres(tmp_path / "not started").bin("pg_dump").parent
    # The machine may have programs of an older version, which refuse a newer server.
    terminal.environment["PATH"] = f"{programs}{os.pathsep}{terminal.environment['PATH']}"
    yield terminal
    if "NAME" in terminal.environment:
        with psycopg.connect(terminal.environment["SERVER"], autocommit=True) as connection:
            name = sql.Identifier(terminal.environment["NAME"])
            connection.execute(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(name))


def card(yard: Yard, number: int = 2) -> CardBack:
    files = ((f"A/{n}.JPG", jpeg(fresh_seed()), claim(yard.inspection_id)) for n in range(number))
    return yard.card(*files)


def digests(cards: list[CardBack]) -> set[str]:
    return {file.sha256 for card in cards for file in card.files}


async def known(db: Database, agent: Caller, cards: list[CardBack]) -> tuple[set[UUID], int]:
    asked = [ReturnAsked(id=card.id, manifest_sha256=card.closing().manifest_sha256) for card in cards]
    answer = await known_returns(db, agent, asked)
    return set(answer.known), answer.committed


async def test_i6_i7_what_a_restored_database_has_forgotten_is_found_and_brought_back_by_the_agents(
    yard: Yard, settings: Settings, shell: Shell, tmp_path: Path
) -> None:
    naming, *backup = blocks(OPERATING)[:2]
    restore, audit, orphans_before, orphans_after = blocks(OPERATING, "Restore")
    before, half_way = card(yard), card(yard)
    await before.go_through()
    tickets = await half_way.send_manifest()
    token = token_of_agent(settings, yard.made.site)[1]
    for block in (naming, *backup):
        shell.run(block)
    after = [card(yard), card(yard)]
    for came in after:
        await came.go_through()
    await half_way.upload(tickets)
    first_receipt = receipt_body(await half_way.commit())
    assert (await known(yard.db, yard.agent, [before, half_way, *after]))[1] == 4

    shell.run(restore)
    older = shell.environment["SIGHTLEDGER_DATABASE_URL"]
    restored = msgspec.structs.replace(settings, database_url=older)
    assert make_url(restored.database_url).database != make_url(settings.database_url).database
    assert "2 sound" in shell.run(audit)
    shell.run(orphans_before)
    db = Database(restored.database_url, scope=EVERY_SITE)
    agent_side = replace(yard, db=db, settings=restored)
    for came in (half_way, *after):
        came.yard = agent_side
    try:
        await _is_forgotten_and_told(agent_side, restored, token, before, half_way, after, tmp_path)
        listed = (tmp_path / "orphans-before.txt").read_text()
        assert {line.split("\t")[0].rpartition("/")[2] for line in listed.splitlines()} == digests(after)

        for came in after:
            assert set(await came.upload(await came.send_manifest())) == {412}, "the bytes are there"
            assert {file.sha256 for file in receipt_body(await came.commit()).files} == digests([came])
        second_receipt = receipt_body(await half_way.commit())
        assert (second_receipt.card_return_id, second_receipt.files) == (half_way.id, first_receipt.files)
        every = [before, half_way, *after]
        assert await known(db, yard.agent, every) == ({one.id for one in every}, 4)
    finally:
        await db.close()
    shell.run(orphans_after)
    assert (tmp_path / "orphans-after.txt").read_text() == ""


async def _is_forgotten_and_told(
    yard: Yard,
    restored: Settings,
    token: str,
    before: CardBack,
    half_way: CardBack,
    after: list[CardBack],
    folder: Path,
) -> None:
    """What the service says: it is ready, it knows its older state only, and an agent can tell the rest."""
    every = [before, half_way, *after]
    assert await known(yard.db, yard.agent, every) == ({before.id}, 1)
    with running_service(restored, folder) as service:
        assert service.client().get("/health/ready").status_code == 200
        agent = service.client(token)
        assert agent.get(f"/api/v1/card-returns/{half_way.id}").json()["state"] == "open"
        for forgotten in after:
            assert agent.get(f"/api/v1/card-returns/{forgotten.id}").status_code == 404
            assert agent.get(f"/api/v1/card-returns/{forgotten.id}/receipt").status_code == 404


async def test_p04_a_sweep_that_deletes_after_a_restore_takes_what_only_the_store_holds(
    yard: Yard, settings: Settings
) -> None:
    """Why OPERATING.md forbids it. The command never deletes what is younger than a day."""
    lost = card(yard)
    await lost.go_through()
    every = [table.name for table in metadata.tables.values() if is_record(table)]
    with rewriting(settings.database_url, *every) as past:
        past.execute("TRUNCATE card_returns, images CASCADE")  # stands for a database that never knew it
    done = sightledger(settings, "sweep", "--days", "0", "--delete")
    assert (done.returncode, "never deleted" in done.stderr) == (2, True)
    listed = sightledger(settings, "sweep", "--days", "0")
    assert {line.split("\t")[0].rpartition("/")[2] for line in listed.stdout.splitlines()} == digests([lost])
    assert sightledger(settings, "sweep", "--days", "1").stdout == ""
    with closing(open_holding(settings)) as holding:
        assert await holding.keeps_versions()
        await sweep(yard.db, holding, 0, delete=True)
    assert set(await lost.upload(await lost.send_manifest())) == {200}, "the bytes had to be sent again"


async def test_a_receipt_key_that_others_may_have_is_changed_and_its_receipts_are_signed_again(
    yard: Yard, settings: Settings, shell: Shell, tmp_path: Path
) -> None:
    change, compromise = blocks(OPERATING, "Receipt keys")
    came = card(yard)
    await came.go_through()
    suspect = yard.signer.key_id
    shell.run(change)
    new_key = tmp_path / shell.environment["SIGHTLEDGER_RECEIPT_KEY_FILE"]
    changed = msgspec.structs.replace(settings, receipt_key_file=str(new_key))
    with running_service(changed, tmp_path) as service:
        token = token_of_agent(settings, yard.made.site)[1]

        def proven() -> tuple[int, bool]:
            answer = service.client(token).get(f"/api/v1/card-returns/{came.id}/receipt")
            if answer.status_code != 200:
                return answer.status_code, False
            keys = msgspec.json.decode(service.client().get("/api/v1/keys").content, type=JwkSet)
            receipt = msgspec.json.decode(answer.content, type=Receipt)
            signed_by = msgspec.json.decode(urlsafe_b64decode(receipt.protected + "=="))["kid"]
            return len(verify_receipt(receipt, keys)) and 200, signed_by == suspect

        assert proven() == (200, True)
        shell.environment["SUSPECT"] = suspect
        listed, counted = shell.run(compromise).splitlines()[:2]
        assert listed.startswith(f"{suspect}\t")
        assert counted == f"{suspect} is not trusted any more. 1 receipts were signed again."
        assert proven() == (200, False)
        history = service.client(token).get("/api/v1/keys/history").json()
        assert [(fact["keyId"], fact["trusted"]) for fact in history] == [
            (suspect, True),
            (suspect, False),
            (Signer.load(new_key).key_id, True),
        ]


async def test_the_table_of_groups_is_taken_and_the_operator_lets_a_person_in(
    settings: Settings, shell: Shell, tmp_path: Path
) -> None:
    [table] = re.findall(r"^```toml\n(.*?)^```$", OPERATING.read_text("utf-8"), re.MULTILINE | re.DOTALL)
    path = tmp_path / "groups.toml"
    path.write_text(table, "utf-8")
    groups = read_groups(path)
    assert groups.rights(["plant-inspectors", "works-skibbereen"]) == Rights(["inspector"], ["SKB"])
    assert groups.rights(["quality-office"]) == Rights(["author"], None)

    account_id, _ = token_of_person(settings, ["auditor"])
    shell.environment["LOGIN"] = f"test-{account_id}"
    [let_in] = blocks(OPERATING, "Single sign-on")
    printed = shell.run(let_in).splitlines()
    assert printed[0].startswith(f"test-{account_id}\tTest ")
    assert printed[1].startswith("slo_")
    assert printed[2].endswith("/sign-in/code")

"""A receipt key that is changed, and one that is distrusted: what its receipts prove, and who signs again."""

from __future__ import annotations

from dataclasses import replace

import anyio
import msgspec
import pytest
import sqlalchemy as sa
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from service.access.actions.keys import distrust, list_keys, trusted_keys
from service.access.rules import OPERATOR
from service.contract.cards import Receipt
from service.contract.signature import SignatureRefused, verify_receipt
from service.errors import Conflict, NotFound, Unavailable
from service.intake.actions.returns import read_receipt
from service.intake.actions.signing_again import sign_again
from service.intake.store.tables import card_returns, receipts
from service.signing import Signer
from tests.intake.factories import CardBack, Yard, claim, fresh_seed, jpeg, rows_of
from tests.live_service import rewriting

pytestmark = pytest.mark.anyio


def new_signer() -> Signer:
    return Signer(Ed25519PrivateKey.generate())


@pytest.fixture
def changed(yard: Yard) -> Yard:
    """The yard of a service whose key no other test signs with."""
    return replace(yard, signer=new_signer())


async def committed(yard: Yard) -> tuple[CardBack, Receipt]:
    card = yard.card(("A/1.JPG", jpeg(fresh_seed()), claim(yard.inspection_id)))
    await card.upload(await card.send_manifest())
    return card, msgspec.json.decode(await card.commit(), type=Receipt)


async def signed_again(yard: Yard) -> dict[object, str | None]:
    return {return_id: why async for return_id, why in sign_again(yard.db, yard.signer)}


async def test_receipts_by_a_key_that_was_changed_still_prove_what_they_say(changed: Yard) -> None:
    card, receipt = await committed(changed)
    later = replace(changed, signer=new_signer())
    keys = await trusted_keys(later.db, later.signer)
    assert verify_receipt(receipt, keys)
    assert later.signer.key_id in {key.kid for key in keys.keys}
    card.yard = later
    assert msgspec.json.decode(await card.commit(), type=Receipt) == receipt


async def test_what_a_distrusted_key_signed_proves_nothing_until_it_is_signed_again(changed: Yard) -> None:
    card, before = await committed(changed)
    later = replace(changed, signer=new_signer())
    card.yard = later
    suspect = changed.signer.key_id
    assert await distrust(later.db, OPERATOR, later.signer, suspect, "found on a workstation")
    keys = await trusted_keys(later.db, later.signer)
    with pytest.raises(SignatureRefused, match="not known"):
        verify_receipt(before, keys)
    for asked in (card.commit, lambda: read_receipt(later.db, later.agent, card.id)):
        with pytest.raises(Unavailable, match="not trusted any more"):
            await asked()
    with pytest.raises(Unavailable, match="not trusted any more"):
        await committed(changed)

    assert (await signed_again(later))[card.id] is None
    again = msgspec.json.decode(await card.commit(), type=Receipt)
    assert verify_receipt(again, keys)
    assert again.payload == before.payload
    assert card.id not in await signed_again(later)
    assert await distrust(later.db, OPERATOR, later.signer, suspect, "found on a workstation") is False
    history = [fact for fact in await list_keys(later.db, OPERATOR) if fact.key_id == suspect]
    assert [(fact.trusted, fact.reason, fact.by) for fact in history] == [
        (True, None, None),
        (False, "found on a workstation", OPERATOR.name),
    ]


async def test_a_receipt_that_says_something_else_than_the_record_is_named_and_not_signed(
    changed: Yard,
) -> None:
    card, receipt = await committed(changed)
    body = msgspec.json.decode(verify_receipt(receipt, changed.signer.jwks()))
    forged = changed.signer.sign(msgspec.json.encode(body | {"complete": not body["complete"]}))
    other, _ = await committed(changed)
    later = replace(changed, signer=new_signer())
    with rewriting(changed.settings.database_url, "receipts") as past:
        past.execute(
            "UPDATE receipts SET body = %s WHERE card_return_id = %s", (msgspec.json.encode(forged), card.id)
        )
    await distrust(later.db, OPERATOR, later.signer, changed.signer.key_id, "found on a workstation")
    found = await signed_again(later)
    assert found[other.id] is None
    assert found[card.id] is not None
    assert "does not say what the record says" in found[card.id]


async def test_a_key_that_signs_or_is_not_known_cannot_be_distrusted(changed: Yard) -> None:
    await committed(changed)
    with pytest.raises(Conflict, match="to sign with"):
        await distrust(changed.db, OPERATOR, changed.signer, changed.signer.key_id, "no reason")
    with pytest.raises(NotFound):
        await distrust(changed.db, OPERATOR, changed.signer, "no-such-key", "no reason")


async def test_i8_two_first_receipts_at_once_enter_one_key_and_two_signings_again_sign_once(
    changed: Yard,
) -> None:
    cards: list[CardBack] = []

    async def one_more() -> None:
        cards.append((await committed(changed))[0])

    async with anyio.create_task_group() as group:
        group.start_soon(one_more)
        group.start_soon(one_more)
    history = await list_keys(changed.db, OPERATOR)
    assert len([fact for fact in history if fact.key_id == changed.signer.key_id]) == 1
    later = replace(changed, signer=new_signer())
    await distrust(later.db, OPERATOR, later.signer, changed.signer.key_id, "found on a workstation")
    async with anyio.create_task_group() as group:
        group.start_soon(signed_again, later)
        group.start_soon(signed_again, later)
    for card in cards:
        rows = await rows_of(later.db, sa.select(receipts).where(receipts.c.card_return_id == card.id))
        assert sorted(row["key_id"] for row in rows) == sorted([changed.signer.key_id, later.signer.key_id])
        [row] = await rows_of(later.db, sa.select(card_returns).where(card_returns.c.id == card.id))
        assert row["committed_at"] is not None

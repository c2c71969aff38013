"""Receipts that a distrusted key signed are signed again, where they still say what the record says."""

from __future__ import annotations

from collections.abc import AsyncIterator
from uuid import UUID

import msgspec
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.actions.keys import must_be_trusted, recorded_keys, trusted_ids
from service.contract.access import JwkSet
from service.contract.cards import Receipt, ReceiptBody, exact_path, manifest_digest
from service.contract.signature import SignatureRefused, verify_receipt
from service.database import Database, server_now
from service.intake.store.card_return import CardReturn
from service.intake.store.returns import insert_receipt, receipt_bodies, return_by_id, returns_without_proof
from service.signing import Signer

AT_ONCE = 100


async def sign_again(db: Database, signer: Signer) -> AsyncIterator[tuple[UUID, str | None]]:
    """Sign each receipt that no trusted key proves: yields its card return, and why it was not signed.

    What was signed is the same to the byte, so that `issued_at` stays the time of the commit. It may be
    broken off and run again.
    """
    after = None
    while True:
        async with db.begin() as connection:
            await must_be_trusted(connection, signer)
            keys, trusted = await recorded_keys(connection), await trusted_ids(connection)
            waiting = await returns_without_proof(connection, trusted, after, AT_ONCE)
        for return_id in waiting:
            async with db.begin() as connection:
                yield return_id, await _signed_again(connection, signer, keys, return_id)
        if len(waiting) < AT_ONCE:
            return
        after = waiting[-1]


async def _signed_again(
    connection: AsyncConnection, signer: Signer, keys: JwkSet, return_id: UUID
) -> str | None:
    card_return = await return_by_id(connection, return_id, "update")
    assert card_return is not None, "card returns are never deleted"
    bodies = await receipt_bodies(connection, return_id)
    if signer.key_id in bodies:
        return None
    for body in bodies.values():
        try:
            payload = verify_receipt(msgspec.json.decode(body, type=Receipt), keys)
        except (SignatureRefused, msgspec.DecodeError):
            continue
        if _says_what_is_recorded(msgspec.json.decode(payload, type=ReceiptBody), card_return):
            receipt = msgspec.json.encode(signer.sign(payload))
            row = {"card_return_id": return_id, "key_id": signer.key_id, "body": receipt}
            await insert_receipt(connection, row | {"issued_at": server_now()})
            return None
    return "its receipt does not say what the record says of the card return"


def _says_what_is_recorded(receipt: ReceiptBody, card_return: CardReturn) -> bool:
    lines = [(exact_path(file.path, file.path_bytes), file.sha256, file.size) for file in receipt.files]
    return (
        receipt.card_return_id,
        receipt.site,
        receipt.card_id,
        receipt.manifest_sha256,
        receipt.complete,
        receipt.extent,
        manifest_digest(lines),
    ) == (
        card_return.id,
        card_return.site,
        card_return.card_id,
        card_return.manifest_sha256,
        card_return.complete,
        card_return.extent,
        card_return.manifest_sha256,
    )

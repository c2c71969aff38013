"""The keys that receipts are signed with: which there were, and which of them are trusted."""

from __future__ import annotations

from uuid import NAMESPACE_URL, UUID, uuid5

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.noting import note
from service.access.rules import Act, Caller, distrusted
from service.access.store import facts_of_keys, key_fact_of, key_facts
from service.contract.access import Jwk, JwkSet, KeyRecord
from service.contract.wire import new_id
from service.database import Database, Row
from service.errors import Conflict, NotFound, Unavailable
from service.facts.rules import standing
from service.facts.store import append
from service.signing import Signer


async def trusted_keys(db: Database, signer: Signer) -> JwkSet:
    """The public keys that prove a receipt: the one in use and those before it, save the distrusted."""
    async with db.begin() as connection:
        rows = await facts_of_keys(connection)
    spoilt = _spoilt(rows)
    keys = {key.kid: key for key in signer.jwks().keys} | {row["key_id"]: _jwk(row) for row in rows}
    return JwkSet(keys=[key for key in keys.values() if key.kid not in spoilt])


async def list_keys(db: Database, caller: Caller) -> list[KeyRecord]:
    """What is recorded of every receipt key, in the order in which it was recorded."""
    caller.must(Act.READ)
    async with db.begin() as connection:
        rows = await facts_of_keys(connection)
    names = KeyRecord.__struct_fields__
    return [
        KeyRecord(**{name: row[name] for name in names if name != "by"}, by=row["by_name"]) for row in rows
    ]


async def must_be_trusted(connection: AsyncConnection, signer: Signer) -> None:
    """Enter the key with its first receipt; raises Unavailable once it is distrusted, so that it signs no
    more."""
    rows = await facts_of_keys(connection, signer.key_id)
    if not rows:
        [key] = signer.jwks().keys
        # The same id whoever enters it: two first receipts at once enter one fact.
        fact = {"id": _entry_id(key.kid), "key_id": key.kid, "x": key.x, "trusted": True}
        if (await append(connection, key_facts, [fact], None)).new:
            await note(connection, "key_entered", concerns=key.kid)
    if signer.key_id in _spoilt(rows):
        raise Unavailable(
            f"The key {signer.key_id}, with which this service signs, is not trusted any more.",
            consequence="There is no receipt. Keep the card; nothing that was sent is lost.",
            next_step="Have the operator set a new receipt key and start the service again.",
        )


async def trusted_ids(connection: AsyncConnection) -> list[str]:
    """The ids of the recorded keys that are trusted, the first recorded first."""
    rows = await facts_of_keys(connection)
    spoilt = _spoilt(rows)
    return list(dict.fromkeys(row["key_id"] for row in rows if row["key_id"] not in spoilt))


async def recorded_keys(connection: AsyncConnection) -> JwkSet:
    """Every key that ever signed a receipt here, trusted or not."""
    rows = await facts_of_keys(connection)
    return JwkSet(keys=list({row["key_id"]: _jwk(row) for row in rows}.values()))


async def distrust(db: Database, by: Caller, signer: Signer, key_id: str, reason: str) -> bool:
    """Record that nothing this key signed proves anything any more; False when that is recorded already.

    Raises NotFound for a key that signed no receipt here, Conflict for the one that the service signs with.
    """
    async with db.begin() as connection:
        rows = await facts_of_keys(connection, key_id)
        if not rows:
            raise NotFound(
                f"No receipt was signed with a key {key_id}.",
                next_step="Take an id that `sightledger receipt-keys` lists.",
            )
        if key_id == signer.key_id:
            raise Conflict(
                f"The settings name {key_id} as the key to sign with.",
                consequence="Nothing was changed.",
                next_step="Make a new key (sightledger receipt-key NEW_FILE), set "
                "SIGHTLEDGER_RECEIPT_KEY_FILE to it, start the service again, and repeat this.",
            )
        if key_id in _spoilt(rows):
            return False
        heads = standing([key_fact_of(row) for row in rows]).ids
        fact = {"id": new_id(), "key_id": key_id, "x": rows[0]["x"], "trusted": False, "reason": reason}
        await append(connection, key_facts, [fact | {"replaces": list(heads)}], by)
        await note(
            connection,
            "key_distrusted",
            by_account_id=by.account_id,
            by_name=by.name,
            concerns=key_id,
            detail={"reason": reason},
        )
    return True


def _entry_id(key_id: str) -> UUID:
    return uuid5(NAMESPACE_URL, f"urn:ietf:params:oauth:jwk-thumbprint:sha-256:{key_id}")


def _spoilt(rows: list[Row]) -> set[str]:
    return distrusted(map(key_fact_of, rows))


def _jwk(row: Row) -> Jwk:
    return Jwk(kty="OKP", crv="Ed25519", kid=row["key_id"], x=row["x"])

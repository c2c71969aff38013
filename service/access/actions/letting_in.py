"""The operator lets a person in when there is no other way: the provider is down, or a password is lost."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy.ext.asyncio import AsyncConnection

from service.access import credentials, store
from service.access.actions.signing_in import open_session
from service.access.actions.tokens import hash_of, new_token
from service.contract.access import SignedIn
from service.database import Database, serialise, server_now
from service.errors import Conflict, NotFound, NotSignedIn

CODE_MINUTES = 15
PREFIX = "slo"


async def make_code(connection: AsyncConnection, login: str, reason: str) -> str:
    """A code with which one browser signs in to an account once; who ran the command knows it alone. The
    record says that it was made, and why."""
    row = await store.account_by_login(connection, login)
    if row is None:
        raise NotFound(
            f"There is no account {login}.", next_step="Take a login of `sightledger account list`."
        )
    if row["closed_at"]:
        raise Conflict(f"The account {login} is closed.", next_step="Make a new account.")
    code, until = new_token(PREFIX), server_now() + timedelta(minutes=CODE_MINUTES)
    await credentials.insert_token(connection, hash_of(code), account_id=row["id"], expires_at=until)
    await store.note(connection, "let_in", account_id=row["id"], detail={"reason": reason})
    return code


async def sign_in_with_code(db: Database, code: str, hours: int) -> SignedIn:
    """A new session for the person for whom the operator made the code, which is then used up; raises
    NotSignedIn."""
    async with db.begin() as connection:
        await serialise(connection, f"code {hash_of(code).hex()}")
        # A session's own token is no code: it must not make itself a longer session.
        token = (
            await credentials.token_holder(connection, hash_of(code))
            if code.startswith(f"{PREFIX}_")
            else None
        )
        if token is None or token["revoked_at"] or token["ended_at"] or token["expires_at"] <= server_now():
            raise NotSignedIn(
                "The code is not known, was used, or is too old.", next_step="Ask the operator for another."
            )
        row = await store.account(connection, token["account_id"])
        assert row is not None
        await credentials.revoke_tokens(connection, token_id=token["token_id"])
        return await open_session(connection, row, hours, detail={"by": "a code of the operator"})

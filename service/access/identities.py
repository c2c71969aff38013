"""SQL of people who sign in with the identity provider: their accounts, and the sessions that it opened."""

from __future__ import annotations

from uuid import UUID

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.access.store import accounts, tokens
from service.database import Row, kept_for_ever, metadata, moment, reference, server_now, text, working

# A person is known by issuer and subject and by nothing else (OpenID Connect Core 1.0 5.7, from memory):
# names and e-mail addresses change hands.
identities = sa.Table(
    "identities",
    metadata,
    text("issuer", primary_key=True),
    text("subject", primary_key=True),
    reference("account_id", "accounts.id", unique=True),
    moment("since"),
    info=kept_for_ever(),
)

# What ends a session at the provider too: the name that it gave to its own session, and its proof.
provider_sessions = sa.Table(
    "provider_sessions",
    metadata,
    sa.Column(
        "token_id", sa.UUID(as_uuid=True), sa.ForeignKey("tokens.id", ondelete="CASCADE"), primary_key=True
    ),
    text("issuer"),
    text("session_id", nullable=True),
    text("id_token"),
    sa.Index("ix_provider_sessions_issuer_session_id", "issuer", "session_id"),
    info=working(deleted=True, secret=["id_token"]),
)


async def account_of(connection: AsyncConnection, issuer: str, subject: str) -> Row | None:
    """The account of a person, locked until the transaction ends."""
    query = (
        sa.select(accounts)
        .join(identities, identities.c.account_id == accounts.c.id)
        .where(identities.c.issuer == issuer, identities.c.subject == subject)
        .with_for_update(of=accounts)
    )
    return (await connection.execute(query)).mappings().first()


async def is_of_provider(connection: AsyncConnection, account_id: UUID) -> bool:
    """Whether the account's person signs in with the provider."""
    query = sa.select(sa.exists().where(identities.c.account_id == account_id))
    return bool(await connection.scalar(query))


async def insert_identity(connection: AsyncConnection, issuer: str, subject: str, account_id: UUID) -> None:
    await connection.execute(
        sa.insert(identities).values(
            issuer=issuer, subject=subject, account_id=account_id, since=server_now()
        )
    )


async def insert_session(
    connection: AsyncConnection, token_hash: bytes, issuer: str, session_id: str | None, id_token: str
) -> None:
    """Note by what the provider opened the session of a token; forget those of the account that are over."""
    of_token = sa.select(tokens.c.id, tokens.c.account_id).where(tokens.c.token_hash == token_hash)
    row = (await connection.execute(of_token)).mappings().one()
    over = sa.select(tokens.c.id).where(
        tokens.c.account_id == row["account_id"],
        tokens.c.revoked_at.is_not(None) | (tokens.c.expires_at < server_now()),
    )
    await connection.execute(sa.delete(provider_sessions).where(provider_sessions.c.token_id.in_(over)))
    await connection.execute(
        sa.insert(provider_sessions).values(
            token_id=row["id"], issuer=issuer, session_id=session_id, id_token=id_token
        )
    )


async def take_session(connection: AsyncConnection, token_id: UUID) -> str | None:
    """The id_token that opened a session, which is forgotten; None for a session of another kind."""
    query = sa.delete(provider_sessions).where(provider_sessions.c.token_id == token_id)
    found = await connection.scalar(query.returning(provider_sessions.c.id_token))
    return None if found is None else str(found)


async def tokens_of_session(
    connection: AsyncConnection, issuer: str, session_id: str, subject: str | None
) -> list[Row]:
    """Tokens (`id`, `account_id`) that are open for a session of the provider's, of that person if one is
    given."""
    query = (
        sa.select(tokens.c.id, tokens.c.account_id)
        .join(provider_sessions, provider_sessions.c.token_id == tokens.c.id)
        .join(identities, identities.c.account_id == tokens.c.account_id)
        .where(provider_sessions.c.issuer == issuer, provider_sessions.c.session_id == session_id)
        .where(tokens.c.revoked_at.is_(None), identities.c.issuer == issuer)
    )
    if subject is not None:
        query = query.where(identities.c.subject == subject)
    return list((await connection.execute(query)).mappings())

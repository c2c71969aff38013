"""The second wall between sites: row-level security behind the code's own checks.

A transaction names the sites it is for (`Database.begin`). Of a table that belongs to a site it then sees and
writes the rows of these sites, and without any site none. Some answers need rows of other sites by design;
`read_across_sites` opens the reading, never the writing, for the rest of a transaction.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

from service.database import EVERY_SITE

_READS = sa.text(f"SET LOCAL sightledger.reads = '{EVERY_SITE}'")

# The functions that policies call. They are SQL without settings of their own, so that the planner takes them
# in; a policy asks each once for a query.
FUNCTIONS = {
    "writes_every_site": ("boolean", f"SELECT current_setting('sightledger.sites', true) = '{EVERY_SITE}'"),
    "reads_every_site": (
        "boolean",
        f"SELECT '{EVERY_SITE}' IN (current_setting('sightledger.sites', true),"
        " current_setting('sightledger.reads', true))",
    ),
    "is_for_a_site": ("boolean", "SELECT current_setting('sightledger.sites', true) <> ''"),
    "own_sites": (
        "uuid[]",
        "SELECT ARRAY(SELECT id FROM public.sites WHERE code OPERATOR(pg_catalog.=)"
        " ANY (string_to_array(current_setting('sightledger.sites', true), ',')))",
    ),
}


async def read_across_sites(connection: AsyncConnection) -> None:
    """Let the rest of this transaction read the rows of all sites, as the answer is made of some of them; it
    goes on writing those of its own sites alone.

    Whoever calls this has checked by himself what the caller may be told.
    """
    await connection.execute(_READS)


@dataclass(frozen=True, slots=True)
class Policy:
    """One policy of a table, for the roles that may reach it by their grants."""

    table: str
    name: str
    command: str
    using: str = ""
    check: str = ""

    def made_for(self, roles: str) -> str:
        using = f" USING ({self.using})" if self.using else ""
        check = f" WITH CHECK ({self.check})" if self.check else ""
        return (
            f"DROP POLICY IF EXISTS {self.name} ON {self.table};"
            f" CREATE POLICY {self.name} ON {self.table} FOR {self.command} TO {roles}{using}{check};"
        )

    @property
    def mark(self) -> str:
        """What tells this policy from one with the same name and other words."""
        words = f"{self.command} {self.using} {self.check}"
        return hashlib.sha256(words.encode()).hexdigest()[:16]


def policies(table: sa.Table) -> Iterator[Policy]:
    """The policies of a table; none where it belongs to no site."""
    if "site" not in table.info:
        return
    own = _own(table)
    mine = f"(SELECT writes_every_site()) OR {own}"
    seen = f"(SELECT reads_every_site()) OR {own}"
    if table.info["read_by_all"]:
        seen = "(SELECT is_for_a_site())"
    yield Policy(table.name, "site_reads", "SELECT", using=seen)
    yield Policy(table.name, "site_adds", "INSERT", check=mine)
    if table.info["changing"]:
        yield Policy(table.name, "site_changes", "UPDATE", using=seen, check=mine)
    if table.info.get("deleted"):
        yield Policy(table.name, "site_removes", "DELETE", using=mine)


def _own(table: sa.Table) -> str:
    """SQL: whether a row belongs to one of the transaction's sites, found along the keys that lead there."""
    *keys, last = table.info["site"]
    sites = "(SELECT own_sites())::uuid[]"
    if not keys:
        return f"{table.name}.{last} = ANY ({sites})"
    found, child, parents = "", table, []
    for key in keys:
        [reference] = child.columns[key].foreign_keys
        parent = reference.column.table
        found += f"{' AND' if found else ''} {parent.name}.id = {child.name}.{key}"
        parents.append(parent.name)
        child = parent
    return f"EXISTS (SELECT FROM {', '.join(parents)} WHERE{found} AND {child.name}.{last} = ANY ({sites}))"

"""The register of a site's people: those without an account in whose name an agent may state something."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable

from service.access import store
from service.access.rules import Act, Caller
from service.contract.access import SitePeople
from service.database import Database
from service.errors import Invalid


async def read_register(db: Database, caller: Caller, code: str) -> SitePeople:
    """The names on the register; raises NotFound or NotAllowed."""
    caller.must(Act.READ, code)
    async with db.begin() as connection:
        site = await store.known_site(connection, code)
        return SitePeople(names=await store.register_of(connection, site["id"]))


async def put_register(
    db: Database, caller: Caller, code: str, people: SitePeople, check: Callable[[SitePeople], None]
) -> SitePeople:
    """Make these the names of the register; `check` is given the present one and raises when the change is
    not meant for it. The same names again change nothing and need no check.

    A name taken off stays in the statements made in it. Raises Invalid for names that a person would take for
    one another.
    """
    caller.must(Act.RUN_SITE, code)
    names = _distinct(people.names)
    async with db.begin() as connection:
        site = await store.known_site(connection, code, lock=True)
        before = await store.register_of(connection, site["id"])
        if set(before) != set(names):
            if before:
                check(SitePeople(names=before))
            added, taken_off = sorted(set(names) - set(before)), sorted(set(before) - set(names))
            await store.change_register(connection, site["id"], added, taken_off)
            await store.note(
                connection,
                "people_changed",
                site_id=site["id"],
                by_account_id=caller.account_id,
                detail={"added": added, "taken_off": taken_off},
            )
        return SitePeople(names=await store.register_of(connection, site["id"]))


def _distinct(names: Iterable[str]) -> list[str]:
    known: dict[str, str] = {}
    for name in names:
        if any(unicodedata.category(char)[0] == "C" for char in name):
            raise Invalid(f"The name {name!a} holds a character that is not seen.", next_step="Delete it.")
        alike = known.setdefault(" ".join(unicodedata.normalize("NFKC", name).casefold().split()), name)
        if alike != name:
            raise Invalid(
                f"{name!r} and {alike!r} cannot be told apart.",
                next_step="Write the name once, or add to it what tells the two people apart.",
            )
    return sorted(known.values())

"""Looking after the originals: `audit`, `sweep`, `retention`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from service.commands.opening import NOT_SET_UP, NOT_SOUND, REFUSED, stop, with_database, with_store
from service.settings import read_settings

if TYPE_CHECKING:
    from service.contract.custody import Retention
    from service.custody.actions.sweep import Swept
    from service.database import Database
    from service.objects.holding import Holding


def audit(
    share: Annotated[
        bool, typer.Option("--share", help="as many as one run of the schedule; default")
    ] = False,
    every: Annotated[bool, typer.Option("--all", help="every original")] = False,
    digest: Annotated[list[str] | None, typer.Option(help="this one; may be given more than once")] = None,
) -> None:
    """Read originals back from the store and compare them with their digest; changes nothing there.

    Ends with 3 when one is damaged, missing or unreadable.
    """
    from service.custody.actions import audit as audits

    if share + every + bool(digest) > 1:
        stop("Give one of --share, --all and --digest.", NOT_SET_UP)

    async def run(db: Database, holding: Holding) -> dict[str, int]:
        if digest:
            return await audits.audit_digests(db, holding, digest)
        if every:
            return await audits.audit_all(db, holding, _progress)
        return await audits.audit_share(db, holding, read_settings().audit_days, _progress)

    counts = with_store(run)
    typer.echo(", ".join(f"{number} {outcome}" for outcome, number in counts.items()))
    if digest and sum(counts.values()) < len(set(digest)):
        stop("Not every digest given is one of an image that is held here.", REFUSED)
    if any(number for outcome, number in counts.items() if outcome != "sound"):
        stop("The log names each that is not sound; the page /custody shows where it was seen.", NOT_SOUND)


def _progress(done: int, number: int) -> None:
    if sys.stderr.isatty():
        typer.echo(f"\r{done} of {number}", nl=done == number, err=True)


def sweep(
    delete: Annotated[
        bool, typer.Option("--delete", help="delete them; never after a restore of an older backup")
    ] = False,
    days: Annotated[
        int | None, typer.Option(min=0, help="how old by the store's clock; default SIGHTLEDGER_SWEEP_DAYS")
    ] = None,
) -> None:
    """List objects in the store that nothing here names, one a line: key, bytes, since when."""
    from service.custody.actions.sweep import sweep as run_sweep

    age = read_settings().sweep_days if days is None else days
    if delete and age < 1:
        stop(
            "Objects younger than a day are only listed, never deleted. Nothing was done. Give --days 1.",
            NOT_SET_UP,
        )

    async def run(db: Database, holding: Holding) -> Swept:
        return await run_sweep(db, holding, age, delete=delete)

    found = with_store(run)
    for orphan in found.orphans:
        typer.echo(f"{orphan.key}\t{orphan.size}\t{orphan.modified:%Y-%m-%dT%H:%M:%SZ}")
    typer.echo(", ".join(f"{number} {name}" for name, number in found.counts().items()), err=True)


def retention(
    site: Annotated[str, typer.Argument(help="the site's code")],
    days: Annotated[int | None, typer.Option(min=0, max=36_500, help="0: no locks any more")] = None,
    mode: Annotated[str, typer.Option(help="governance or compliance")] = "governance",
) -> None:
    """Say for how many days a site's originals are locked in the store; without --days show it."""
    import msgspec

    from service.contract.custody import RetentionIn
    from service.custody.actions.retention import record_retention, standing_retention

    async def run(db: Database) -> Retention:
        async with db.begin() as connection:
            if days is None:
                return await standing_retention(connection, site)
            new_policy = msgspec.convert({"days": days, "mode": mode}, RetentionIn)
            return await record_retention(connection, site, new_policy, by=None)

    try:
        policy = with_database(run)
    except msgspec.ValidationError as error:
        stop(f"The policy cannot be recorded: {error}.", REFUSED)
    typer.echo(f"{policy.site}: {policy.days} days, {policy.mode}")

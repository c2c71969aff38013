"""`recount`: what is kept beside the facts is folded from them again, and compared."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from service.commands.opening import REFUSED, stop, with_database

if TYPE_CHECKING:
    from service.database import Database
    from service.protection import Lapse


def recount(
    repair: Annotated[
        bool, typer.Option("--repair", help="write anew what differs; facts are never changed")
    ] = False,
) -> None:
    """Fold from the facts what is kept beside them, and print each value that differs, one a line; then
    each way in which the database does not keep the facts as it should.

    Ends with 1 when anything differs and was not repaired, or when the facts are not protected.
    """
    from service.facts.projections import recount as fold_again
    from service.protection import lapses_seen
    from service.recounts import PROJECTIONS

    async def run(db: Database) -> tuple[dict[str, tuple[int, int]], list[Lapse]]:
        counted: dict[str, tuple[int, int]] = {}
        for projection in PROJECTIONS:
            keys = differing = 0
            async for number, found in fold_again(db, projection, repair=repair):
                keys, differing = keys + number, differing + len(found)
                for difference in found:
                    typer.echo(str(difference))
                _progress(projection.name, keys)
            counted[projection.name] = keys, differing
        async with db.begin() as connection:
            return counted, await connection.run_sync(lapses_seen)

    counted, lapses = with_database(run)
    for name, (keys, differing) in counted.items():
        typer.echo(f"{name}: {keys} recounted, {differing} values differ", err=True)
    total = sum(differing for _, differing in counted.values())
    if total and not repair:
        stop(
            f"{total} values do not follow from the facts. The facts themselves were not touched. "
            "Run `sightledger recount --repair` to write them anew.",
            REFUSED,
        )
    for lapse in lapses:
        typer.echo(f"protection: {lapse}")
    if lapses:
        stop(
            f"In {len(lapses)} ways the database does not keep the record from being rewritten. Whether it "
            "was rewritten cannot be seen from here: compare it with a backup. Run `sightledger migrate` to "
            "protect it again.",
            REFUSED,
        )


def _progress(name: str, keys: int) -> None:
    if sys.stderr.isatty():
        typer.echo(f"\r{name}: {keys}", nl=False, err=True)

"""What is made once before the service starts: schema and bucket."""

from __future__ import annotations

from typing import Annotated

import typer

from service.commands.opening import NOT_SET_UP, NOT_SOUND, stop
from service.settings import SettingError, read_settings


def migrate() -> None:
    """Bring the database to the newest schema, as its owner, and let each role do what it should."""
    import sqlalchemy.exc

    from service.database import migrate as bring_to_newest

    address = read_settings().migration_database_url
    if not address:
        raise SettingError(
            "Set SIGHTLEDGER_MIGRATION_DATABASE_URL to the address with the login of the database's owner "
            "(README.md, In production). Nothing was migrated: the service's own login may not change tables."
        )
    try:
        bring_to_newest(address)
    except sqlalchemy.exc.OperationalError as error:
        stop(
            "The database does not answer as it should (SIGHTLEDGER_MIGRATION_DATABASE_URL): "
            f"{str(error.orig).strip()}",
            NOT_SET_UP,
        )
    typer.echo("The database is at the newest schema.", err=True)


def bucket(
    lock: Annotated[
        bool,
        typer.Option("--lock", help="turn on versions and Object Lock of a bucket that is there without"),
    ] = False,
    wait: Annotated[int, typer.Option(min=0, help="seconds to wait until the store answers")] = 0,
) -> None:
    """Make the bucket with versions and Object Lock, or say how the one that is there stands.

    Ends with 3 when it has no Object Lock: it can be used, but locks nothing.
    """
    from service.objects.bucket import prepare_bucket
    from service.parts import store_settings

    found = prepare_bucket(store_settings(read_settings()), lock=lock, wait_s=wait)
    typer.echo(found.text())
    if not found.locks:
        stop(
            "Pictures are kept all the same, but `sightledger retention` and the worker can lock none, and a "
            "sweep deletes nothing from a bucket without versions. Object Lock can never be turned off "
            "again; to turn it on: sightledger bucket --lock",
            NOT_SOUND,
        )

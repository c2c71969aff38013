"""The keys that receipts are signed with: `receipt-key`, `receipt-keys`, `distrust-key`."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from service.commands.opening import NOT_SET_UP, NOT_SOUND, REFUSED, stop, with_database
from service.settings import read_settings

if TYPE_CHECKING:
    from service.contract.access import KeyRecord
    from service.database import Database


def receipt_key(
    file: Annotated[Path | None, typer.Argument(help="default: SIGHTLEDGER_RECEIPT_KEY_FILE")] = None,
) -> None:
    """Make an Ed25519 key that signs receipts. An existing file is left alone."""
    from service.signing import Signer, create_key_file

    path = file or Path(os.environ.get("SIGHTLEDGER_RECEIPT_KEY_FILE", "receipt-key.pem"))
    try:
        create_key_file(path)
    except FileExistsError:
        stop(f"{path} exists and is left as it is.", REFUSED)
    except OSError as error:
        stop(f"{path} cannot be written: {error.strerror}.", NOT_SET_UP)
    typer.echo(f"{path}: key {Signer.load(path).key_id}. Keep a copy in a safe place.", err=True)


def receipt_keys() -> None:
    """List the keys that receipts were signed with, one fact a line: key, trusted or not, since when, why."""
    from service.access.actions.keys import list_keys
    from service.access.rules import OPERATOR

    async def run(db: Database) -> list[KeyRecord]:
        return await list_keys(db, OPERATOR)

    for record in with_database(run):
        state = "signs receipts" if record.trusted else f"not trusted: {record.reason}"
        typer.echo(f"{record.key_id}\t{record.recorded_at:%Y-%m-%dT%H:%M:%SZ}\t{state}")


def distrust_key(
    key_id: Annotated[str, typer.Argument(help="as `sightledger receipt-keys` lists it")],
    reason: Annotated[str, typer.Option(help="why nothing it signed proves anything any more")],
) -> None:
    """Take trust from a key that others may have, and sign its receipts again with the key of the settings.

    May be repeated when it was broken off. Ends with 3 when a receipt could not be signed again.
    """
    from service.access.actions.keys import distrust
    from service.access.rules import OPERATOR
    from service.intake.actions.signing_again import sign_again
    from service.signing import Signer

    signer = Signer.load(Path(read_settings().receipt_key_file))

    async def run(db: Database) -> tuple[int, int]:
        await distrust(db, OPERATOR, signer, key_id, reason)
        signed = refused = 0
        async for return_id, why in sign_again(db, signer):
            signed, refused = signed + (why is None), refused + (why is not None)
            if why is not None:
                typer.echo(f"card return {return_id}: not signed: {why}")
            _progress(signed)
        return signed, refused

    signed, refused = with_database(run)
    typer.echo(f"{key_id} is not trusted any more. {signed} receipts were signed again.", err=True)
    if refused:
        stop(
            f"{refused} receipts were not signed: see above. The pictures are held as before; look into the "
            "record of each.",
            NOT_SOUND,
        )


def _progress(signed: int) -> None:
    if sys.stderr.isatty():
        typer.echo(f"\r{signed} signed again", nl=False, err=True)

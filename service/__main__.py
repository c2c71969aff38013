"""The `sightledger` command: run the service, set it up, and look after what it holds."""

from __future__ import annotations

import sys
from importlib.metadata import version
from typing import Annotated

import typer

from service.commands import (
    accounts,
    agents,
    campaigns,
    custody,
    installing,
    keys,
    people,
    plans,
    recounting,
    serving,
    sites,
    types,
    units,
)
from service.commands.opening import explained

app = typer.Typer(no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False)

DEEDS = (
    *(installing.migrate, keys.receipt_key, installing.bucket, agents.enrol_code),
    *(serving.serve, serving.worker, custody.audit, custody.sweep, custody.retention, recounting.recount),
    *(keys.receipt_keys, keys.distrust_key, serving.seed),
)
for command in DEEDS:
    app.command(command.__name__.replace("_", "-"))(command)

NOUNS = (
    (
        "account",
        "Accounts of people.",
        (
            *(accounts.add, accounts.close, accounts.list_, accounts.let_in),
            *(accounts.propose, accounts.proposals, accounts.confirm, accounts.refuse, accounts.withdraw),
        ),
    ),
    ("site", "Sites.", (sites.add, sites.import_)),
    ("person", "People of a site who have no account.", (people.add, people.import_)),
    ("type", "Equipment types and their builds.", (types.add, types.import_)),
    ("unit", "Units by serial number.", (units.add, units.import_)),
    ("plan", "Standard plans.", (plans.check, plans.submit, plans.approve, plans.publish)),
    ("campaign", "Campaigns over units.", (campaigns.add, campaigns.import_)),
)
for noun, about_it, verbs in NOUNS:
    group = typer.Typer(no_args_is_help=True, help=about_it)
    for verb in verbs:
        group.command(verb.__name__.rstrip("_").replace("_", "-"))(verb)
    app.add_typer(group, name=noun)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"sightledger {version('sightledger')}")
        raise typer.Exit


@app.callback()
def about(
    _: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and end.")
    ] = False,
) -> None:
    """Sightledger: one record of visual inspection inside plant. Its settings are SIGHTLEDGER_* variables."""


def main() -> None:
    """Run the command; expected failures are reported in words, without a traceback."""
    try:
        app()
    except Exception as error:
        explanation = explained(error)
        if explanation is None:
            raise
        text, status = explanation
        typer.echo(text, err=True)
        sys.exit(status)


if __name__ == "__main__":
    main()

"""Enrolling workstations: `enrol-code`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from service.commands.opening import with_database
from service.contract.access import EnrolmentCode, NewCode
from service.settings import read_settings

if TYPE_CHECKING:
    from service.database import Database


def enrol_code(
    site: Annotated[str, typer.Argument(help="the code of the site whose workstation enrols")],
    hours: Annotated[int, typer.Option(min=1, max=24 * 14, help="how long the code is good for")] = 24,
) -> None:
    """Print a one-time code with which one workstation may enrol."""
    from service.access.actions.agents import issue_code

    async def make(db: Database) -> EnrolmentCode:
        async with db.begin() as connection:
            return await issue_code(connection, NewCode(site=site, hours=hours), by=None)

    made = with_database(make)
    typer.echo(
        f"For one workstation of {site}, once, within {hours} h. There: sightledger-agent enrol "
        f"{read_settings().public_url} CODE --name NAME",
        err=True,
    )
    typer.echo(made.code)

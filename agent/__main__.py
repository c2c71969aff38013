"""`sightledger-agent`: the commands of a workstation."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from agent import screen
from agent.commands import cards, work, workstation
from agent.commands.opening import chosen
from agent.outbox.database import Damaged, explained, is_damage
from agent.settings import state_at
from agent.workstation import agent_version

INTERRUPTED = 130

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Prepares memory cards for inspections, reads them back, and pushes everything to the service.",
)
for command in (
    workstation.enrol,
    workstation.run,
    work.work,
    work.state,
    work.reasons,
    cards.prepare,
    cards.read,
    cards.confirm,
    workstation.status,
    workstation.queue,
    workstation.rebuild,
):
    app.command()(command)


def _version(asked: bool) -> None:
    if asked:
        screen.say(f"sightledger-agent {agent_version()}")
        raise typer.Exit


@app.callback()
def _options(
    state: Annotated[
        Path | None,
        typer.Option(envvar="SIGHTLEDGER_AGENT_STATE", help="State folder; default: the user's own."),
    ] = None,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say which agent this is.")
    ] = False,
) -> None:
    chosen.state = state_at(state)


def main() -> None:
    """The command; ends with the exit code of what went wrong."""
    try:
        app()
    except SystemExit as end:
        if end.code == INTERRUPTED:
            screen.show_interrupted()
        raise
    except Exception as error:
        trouble = explained(error, chosen.state.database)
        if is_damage(error):
            trouble = Damaged(
                f"The agent's database is damaged ({error}).",
                "What was copied lies in the spool and is not lost. Do not wipe any card.",
                "Run the command again: the database is then set aside and made anew from the spool.",
            )
        screen.show_error(trouble)
        raise SystemExit(trouble.exit_code) from None


if __name__ == "__main__":
    main()

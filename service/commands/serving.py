"""Running the service and its worker."""

from __future__ import annotations

import asyncio
import os
import resource
import socket
import tempfile
from pathlib import Path
from typing import Annotated

import typer

from service.commands.opening import NOT_SET_UP, stop
from service.settings import read_settings

# The head of a request comes within this time, and a kept connection carries its next request: an agent and a
# browser open another one, and an agent uses none that lay idle for 5 s.
HEAD_MS = 10_000
# Bytes; a page's longest address with a session's cookie has less than 4 kB.
LONGEST_HEAD = 32_768
# Connections that a process serves at once, and that wait with the system to be accepted.
CONNECTIONS, WAITING = 4_000, 1_024


def serve() -> None:
    """Run the service on SIGHTLEDGER_HOST and SIGHTLEDGER_PORT."""
    from granian import Granian
    from granian.constants import HTTPModes, Interfaces
    from granian.http import HTTP1Settings

    from service.access.actions.single_sign_on import open_single_sign_on
    from service.observe import log_config
    from service.signing import Signer

    settings = read_settings()
    Signer.load(Path(settings.receipt_key_file))
    open_single_sign_on(settings)
    _check_free(settings.host, settings.port)
    _admit_connections()
    with tempfile.TemporaryDirectory(prefix="sightledger-metrics-") as shared:
        if settings.processes > 1:
            # The client library adds up the processes' figures through files in this folder.
            os.environ["PROMETHEUS_MULTIPROC_DIR"] = shared
        Granian(
            "service.app:create_app",
            factory=True,
            interface=Interfaces.ASGI,
            address=settings.host,
            port=settings.port,
            workers=settings.processes,
            websockets=False,
            # The mode that tells HTTP/1 from HTTP/2 by the first bytes waits for them without end.
            http=HTTPModes.http1,
            http1_settings=HTTP1Settings(header_read_timeout=HEAD_MS, max_buffer_size=LONGEST_HEAD),
            backlog=WAITING,
            backpressure=CONNECTIONS,
            log_dictconfig=log_config(settings.log_level),
            workers_kill_timeout=10,
            respawn_failed_workers=settings.processes > 1,
        ).serve()


def _admit_connections() -> None:
    """Each connection is an open file; a shell's limit is often 1,024, which database and store share."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = CONNECTIONS + 1_000
    most = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    if soft != resource.RLIM_INFINITY and soft < most:
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))


def _check_free(host: str, port: int) -> None:
    try:
        socket.create_server((host, port), family=socket.AF_INET6 if ":" in host else socket.AF_INET).close()
    except OSError as error:
        why = (error.strerror or str(error)).partition(" (")[0]
        stop(
            f"The service cannot listen at {host}, port {port}: {why}. It was not started. Stop "
            "what listens there, or set SIGHTLEDGER_HOST and SIGHTLEDGER_PORT (and SIGHTLEDGER_PUBLIC_URL).",
            NOT_SET_UP,
        )


def worker(
    until_empty: Annotated[bool, typer.Option("--until-empty", help="Do what is waiting, then end.")] = False,
) -> None:
    """Run background work: thumbnails, large files read back; and on a schedule audit, locks, sweep, and
    an end to old reads of pictures."""
    from service.access.actions.forgetting import tasks as access_tasks
    from service.contract.wire import build_shapes
    from service.custody.actions.schedule import tasks as custody_tasks
    from service.images.actions import tasks as image_tasks
    from service.intake.actions.large import tasks as intake_tasks
    from service.jobs import open_queue, work
    from service.observe import configure_logging
    from service.parts import Parts

    settings = read_settings()
    configure_logging(settings.log_level)
    build_shapes()
    queue = open_queue(
        settings.database_url,
        {"images": image_tasks, "intake": intake_tasks, "custody": custody_tasks, "access": access_tasks},
    )

    async def run() -> None:
        parts = Parts(settings, every_site=True)
        try:
            around = {
                "db": parts.db,
                "objects": parts.objects,
                "looker": parts.looker,
                "settings": settings,
            }
            await work(queue, around, wait=not until_empty)
        finally:
            await parts.close()

    asyncio.run(run())


def seed(
    full: Annotated[
        bool, typer.Option("--full", help="The whole invented fleet, not the demo's part.")
    ] = False,
    accounts: Annotated[
        Path | None, typer.Option(help="JSON object of login and password for the demo's people.")
    ] = None,
) -> None:
    """Fill the database with the invented demo fleet (in the source tree). Again changes nothing."""
    from seed.load import load

    typer.echo(load(read_settings(), full=full, accounts=accounts), err=True)

"""One whole Sightledger on this machine: Postgres, object store, service, worker and agents.

The demo, the benches, the soak and deploy.engines use it. Everything listens on 127.0.0.1 and ends with the
process that started it.
"""

from __future__ import annotations

import json
import os
import secrets
import shlex
import subprocess
import sys
import sysconfig
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import Self

import httpx

from deploy.embedded.ports import all_free, free_port
from deploy.embedded.postgres import MIGRATIONS, Postgres
from deploy.embedded.processes import Child
from deploy.embedded.store import ObjectStore
from service.signing import create_key_file

READY_SECONDS = 60


class StackError(Exception):
    """A part did not start; the text names it and where its log is."""


class Engines:
    """PostgreSQL and the object store, with the settings by which everything else finds them."""

    def __init__(self, folder: Path, say: Callable[[str], None] = lambda _line: None) -> None:
        self.folder = folder.absolute()
        self.say = say
        self.environment: dict[str, str] = {}
        self.migrating: dict[str, str] = {}
        self.url = ""
        self.postgres = Postgres(self.folder / "postgres")
        self.store = ObjectStore(self.folder / "store")
        self._children: list[Child] = []

    def __enter__(self) -> Self:
        try:
            self.start()
        except BaseException:
            self.stop()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self) -> None:
        """Starts both engines at the same time and notes the settings."""
        self.folder.mkdir(parents=True, exist_ok=True)
        self.say("starting PostgreSQL and the object store")
        together([self.postgres.start, self.store.start])
        port = self._port()
        self.url = f"http://127.0.0.1:{port}"
        self.environment = {
            "SIGHTLEDGER_DATABASE_URL": self.postgres.url,
            "SIGHTLEDGER_S3_ENDPOINT": self.store.endpoint,
            "SIGHTLEDGER_S3_BUCKET": self.store.bucket,
            "SIGHTLEDGER_S3_ACCESS_KEY": self.store.access_key,
            "SIGHTLEDGER_S3_SECRET_KEY": self.store.secret_key,
            "SIGHTLEDGER_PUBLIC_URL": self.url,
            "SIGHTLEDGER_PORT": str(port),
            "SIGHTLEDGER_RECEIPT_KEY_FILE": str(self.folder / "receipt-key.pem"),
        }
        # The service and its worker run without it.
        self.migrating = {"SIGHTLEDGER_MIGRATION_DATABASE_URL": self.postgres.url_of(MIGRATIONS)}

    def stop(self) -> None:
        """Stops the children, all at the same time, then both engines."""
        try:
            together([child.stop for child in self._children])
        finally:
            together([self.store.stop, self.postgres.stop])

    def note_environment(self) -> Path:
        """Writes the settings into a file for `.` in a shell. Only its owner can read it: it holds passwords.

        A workstation that is tried in that shell keeps its state beside the engines' data.
        """
        file = self.folder / "environment"
        state = str(self.folder / "workstation")
        settings = {**self.environment, **self.migrating, "SIGHTLEDGER_AGENT_STATE": state}
        lines = [f"export {name}={shlex.quote(value)}" for name, value in settings.items()]
        lines.append(f'export PATH={shlex.quote(sysconfig.get_path("scripts"))}:"$PATH"')
        fresh = file.with_suffix(".new")
        fresh.unlink(missing_ok=True)
        fresh.touch(mode=0o600)
        fresh.write_text("\n".join(lines) + "\n")
        fresh.rename(file)
        return file

    def _port(self) -> int:
        """Returns the port of the last run if it is free: agents know the service by it."""
        file = self.folder / "port"
        port = int(file.read_text()) if file.exists() else 0
        if not port or not all_free([port]):
            port = free_port()
            file.write_text(str(port))
        return port


class Stack(Engines):
    """The engines with a migrated database, and the processes that are started over them."""

    def start(self) -> None:
        """Starts the engines and brings the database to the newest schema."""
        super().start()
        self.say("migrating the database")
        key = self.folder / "receipt-key.pem"
        if not key.exists():
            create_key_file(key)
        self.command("migrate", **self.migrating)

    def serve(self) -> None:
        """Starts the service and its worker, and waits until the service says it is ready."""
        self.say(f"starting the service at {self.url}")
        service = self.service = self.child("service", [sys.executable, "-m", "service", "serve"])
        self.child("worker", [sys.executable, "-m", "service", "worker"])
        deadline = time.monotonic() + READY_SECONDS
        with httpx.Client(timeout=2, trust_env=False) as asking:
            while time.monotonic() < deadline and service.poll() is None:
                try:
                    if asking.get(f"{self.url}/health/ready").status_code == 200:
                        return
                except httpx.TransportError:
                    pass
                time.sleep(0.1)
        raise StackError(f"The service did not become ready. Its log: {self.folder / 'logs' / 'service.log'}")

    def child(self, name: str, command: list[str], **environment: str) -> Child:
        """Starts a process that is stopped with the stack; its output goes to logs/NAME.log."""
        child = Child(
            command,
            log=self.folder / "logs" / f"{name}.log",
            environment={**os.environ, **self.environment, **environment},
        )
        self._children.append(child)
        return child

    def command(self, *words: str, stdin: str | None = None, **environment: str) -> str:
        """Runs one `sightledger` command to its end and returns its standard output."""
        done = subprocess.run(
            [sys.executable, "-m", "service", *words],
            env={**os.environ, **self.environment, **environment},
            input=stdin,
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            raise StackError(f"`sightledger {' '.join(words)}` failed:\n{done.stderr or done.stdout}")
        return done.stdout


def remembered_secrets(file: Path, names: list[str]) -> dict[str, str]:
    """Returns throw-away passwords, made once and kept beside the demo's data with mode 0600."""
    known: dict[str, str] = json.loads(file.read_text()) if file.exists() else {}
    if not set(names) <= known.keys():
        known |= {name: secrets.token_urlsafe(9) for name in names if name not in known}
        file.touch(mode=0o600)
        file.write_text(json.dumps(known, indent=1))
    return known


def together(deeds: Sequence[Callable[[], None]]) -> None:
    """Does each in a thread of its own; when all have ended, raises what the first that failed raised."""
    if deeds:
        with ThreadPoolExecutor(len(deeds)) as threads:
            doing = [threads.submit(deed) for deed in deeds]
        for deed in doing:
            deed.result()

"""One whole Sightledger on this machine: Postgres, object store, service, worker and agents.

Used by the demo and the benches. Everything listens on 127.0.0.1 and ends with the process that
started it.
"""

from __future__ import annotations

import json
import os
import secrets
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType

import httpx

from deploy.embedded.ports import all_free, free_port
from deploy.embedded.postgres import Postgres
from deploy.embedded.processes import Child
from deploy.embedded.store import ObjectStore

READY_SECONDS = 60


class StackError(Exception):
    """A part did not start; the text names it and where its log is."""


class Stack:
    """Starts the parts in order and stops them in reverse, also when a start fails half way."""

    def __init__(self, folder: Path, say: Callable[[str], None] = lambda _line: None) -> None:
        self.folder = folder
        self.say = say
        self.environment: dict[str, str] = {}
        self.url = ""
        self._parts = ExitStack()

    def __enter__(self) -> Stack:
        try:
            self.start()
        except BaseException:
            self._parts.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._parts.close()

    def start(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.say("starting PostgreSQL")
        self.postgres = postgres = self._parts.enter_context(Postgres(self.folder / "postgres"))
        self.say("starting the object store")
        store = self._parts.enter_context(ObjectStore(self.folder / "store"))
        port = self._port()
        self.url = f"http://127.0.0.1:{port}"
        self.environment = {
            "SIGHTLEDGER_DATABASE_URL": postgres.url,
            "SIGHTLEDGER_S3_ENDPOINT": store.endpoint,
            "SIGHTLEDGER_S3_BUCKET": store.bucket,
            "SIGHTLEDGER_S3_ACCESS_KEY": store.access_key,
            "SIGHTLEDGER_S3_SECRET_KEY": store.secret_key,
            "SIGHTLEDGER_PUBLIC_URL": self.url,
            "SIGHTLEDGER_PORT": str(port),
            "SIGHTLEDGER_RECEIPT_KEY_FILE": str(self.folder / "receipt-key.pem"),
        }
        self.say("migrating the database")
        if not (self.folder / "receipt-key.pem").exists():
            self.command("receipt-key", str(self.folder / "receipt-key.pem"))
        self.command("migrate")

    def _port(self) -> int:
        """The port of the last run where it is free: agents know the service by it."""
        file = self.folder / "port"
        port = int(file.read_text()) if file.exists() else 0
        if not port or not all_free([port]):
            port = free_port()
            file.write_text(str(port))
        return port

    def serve(self) -> None:
        """Start the service and its worker, and wait until the service says it is ready."""
        self.say(f"starting the service at {self.url}")
        service = self.service = self.child("service", [sys.executable, "-m", "service", "serve"])
        self.child("worker", [sys.executable, "-m", "service", "worker"])
        deadline = time.monotonic() + READY_SECONDS
        while time.monotonic() < deadline:
            if service.poll() is not None:
                break
            try:
                if httpx.get(f"{self.url}/health/ready", timeout=2).status_code == 200:
                    return
            except httpx.TransportError:
                pass
            time.sleep(0.1)
        raise StackError(f"The service did not become ready. Its log: {self.folder / 'logs' / 'service.log'}")

    def child(self, name: str, command: list[str], **environment: str) -> Child:
        """A process that is stopped with the stack; its output goes to logs/NAME.log."""
        child = Child(
            command,
            log=self.folder / "logs" / f"{name}.log",
            environment={**os.environ, **self.environment, **environment},
        )
        self._parts.callback(child.stop)
        return child

    def command(self, *words: str, stdin: str | None = None) -> str:
        """Run one `sightledger` command to its end; its standard output."""
        done = subprocess.run(
            [sys.executable, "-m", "service", *words],
            env={**os.environ, **self.environment},
            input=stdin,
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            raise StackError(f"`sightledger {' '.join(words)}` failed:\n{done.stderr or done.stdout}")
        return done.stdout


def remembered_secrets(file: Path, names: list[str]) -> dict[str, str]:
    """Throw-away passwords: made once, kept beside the demo's data with mode 0600."""
    known: dict[str, str] = json.loads(file.read_text()) if file.exists() else {}
    if not set(names) <= known.keys():
        known |= {name: secrets.token_urlsafe(9) for name in names if name not in known}
        file.touch(mode=0o600)
        file.write_text(json.dumps(known, indent=1))
    return known

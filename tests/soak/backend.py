"""Postgres, object store, service and worker of a soak, each of which can be killed and comes up again.

The engines are always the embedded ones, never those of a container or an address, because they are killed.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import closing
from pathlib import Path
from typing import Protocol

import httpx
from sqlalchemy import make_url

from deploy.embedded.postgres import DATABASE, LOGINS, MIGRATIONS, Postgres
from deploy.embedded.processes import Child, StartError
from deploy.embedded.store import ObjectStore
from deploy.stack import Stack
from service.settings import read_settings
from tests.disks import MB, Disk, can_mount
from tests.link.proxy import Proxy
from tests.live_service import ROOT, Running, client_of, environment_of, execute

# The disks are sparse files. A soak of 20,000 files writes far less.
POSTGRES_DISK, STORE_DISK = 4000 * MB, 8000 * MB
NOT_SOUND = 3


class Part(Protocol):
    def kill(self) -> None: ...


class Program:
    """One of our own processes. `kill` starts it again at once; if it ended by itself, `watch` does so."""

    def __init__(self, name: str, command: list[str], log: Path, environment: dict[str, str]) -> None:
        self.name = name
        self._command, self._log, self._environment = command, log, environment
        self._guard = threading.Lock()
        self.child: Child | None = None
        self.ended_by_itself = 0

    def start(self) -> None:
        self.child = Child(self._command, log=self._log, environment=self._environment, folder=ROOT)

    def kill(self) -> None:
        with self._guard:
            assert self.child is not None
            with contextlib.suppress(ProcessLookupError):
                self.child.kill()
            self.start()

    def watch(self) -> None:
        """Starts the process again if it has ended without being asked."""
        with self._guard:
            if self.child is not None and self.child.poll() is not None:
                self.ended_by_itself += 1
                self.child.stop()
                self.start()

    def stop(self) -> None:
        with self._guard:
            if self.child is not None:
                self.child.stop()
                self.child = None


class Engine:
    """Postgres or the store; `kill` starts it again with the same data and the same ports."""

    def __init__(self, name: str, server: Postgres | ObjectStore) -> None:
        self.name, self.server = name, server

    def kill(self) -> None:
        self.server.kill()
        # A kernel that has not yet let go of the port or of shared memory is no fault of ours.
        for attempt in range(10):
            try:
                self.server.start()
                return
            except StartError:
                if attempt == 9:
                    raise
                time.sleep(1)


class Backend:
    """Everything behind the link. `store_link` stands between agents and store; agents' own links to the
    service are theirs. `disks` are those that can be full, where this process may mount some."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.disks: dict[str, Disk] = {}
        self.stack = contextlib.ExitStack()
        self.parts: dict[str, Part] = {}
        self.kills: Counter[str] = Counter()
        # Site and digest of the originals that were made to vanish.
        self.vanished: set[tuple[str, str]] = set()
        self.peaks: dict[str, float] = {}

    def __enter__(self) -> Backend:
        try:
            self._start()
        except BaseException:
            self.stack.close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self.stack.close()

    def disk(self, name: str, place: Path, size: int) -> None:
        """Puts a disk of its own at `place`, under a part that knows nothing of it."""
        if can_mount():
            self.disks[name] = Disk(place, self.folder / f"{name}.img", size)
            self.stack.callback(self.disks[name].close)

    def _start(self) -> None:
        self.disk("Postgres", self.folder / "postgres", POSTGRES_DISK)
        self.disk("store", self.folder / "store", STORE_DISK)
        engines = self.stack.enter_context(Stack(self.folder))
        self.store, self.postgres = engines.store, engines.postgres
        self.store_link = self.stack.enter_context(Proxy(self.store.endpoint))
        self.settings = read_settings(
            {**engines.environment, "SIGHTLEDGER_S3_PUBLIC_ENDPOINT": self.store_link.url}
        )
        self.service, self.worker = self._program("serve"), self._program("worker")
        self.parts = {
            "service": self.service,
            "worker": self.worker,
            "Postgres": Engine("Postgres", self.postgres),
            "store": Engine("store", self.store),
        }
        assert self.service.child is not None
        self.running = Running(self.settings, self.service.child)
        self.stack.callback(self.running.clients.close)
        wait_until(lambda: self._answers("ready"), 60, "the service did not become ready")

    def _program(self, word: str) -> Program:
        program = Program(
            "service" if word == "serve" else word,
            [sys.executable, "-m", "service", word],
            self.folder / f"{word}.log",
            # What a killed process leaves behind goes with the folder.
            environment_of(self.settings, TMPDIR=str(self.folder)),
        )
        program.start()
        self.stack.callback(program.stop)
        return program

    def _answers(self, what: str) -> bool:
        with contextlib.suppress(httpx.TransportError):
            return httpx.get(f"{self.settings.public_url}/health/{what}", timeout=2).status_code == 200
        return False

    def kill(self, part: str) -> None:
        self.kills[part] += 1
        self.parts[part].kill()

    def watch(self) -> None:
        self.service.watch()
        self.worker.watch()

    def full_disk(self, name: str, seconds: float) -> None:
        """Leaves no room on one of the disks for so long. Then the engine on it is started again, as by an
        operator who has freed some."""
        self.disks[name].fill()
        time.sleep(seconds)
        self.disks[name].empty()
        if name in self.parts:
            self.parts[name].kill()

    def vanish(self, choice: int) -> str | None:
        """Deletes a recorded original in all its versions; returns its digest, or None when there is none.
        What another site brought of the same bytes stays."""
        rows = execute(self.settings, "SELECT digest, site FROM images ORDER BY digest")
        if not rows:
            return None
        digest, site = rows[choice % len(rows)]
        with closing(client_of(self.settings)) as client:
            key = f"originals/{site}/sha256/{digest[:2]}/{digest}"
            told = client.list_object_versions(Bucket=self.settings.s3_bucket, Prefix=key)
            for version in told.get("Versions", []):
                client.delete_object(Bucket=self.settings.s3_bucket, Key=key, VersionId=version["VersionId"])
        self.vanished.add((site, digest))
        return str(digest)

    def dump(self) -> Path:
        """Makes a backup of the database as it is now, while everything works."""
        file = self.folder / "backup.sql"
        file.write_text(self._psql("pg_dump", DATABASE), "utf-8")
        file.chmod(0o644)
        return file

    def restore(self, backup: Path) -> None:
        """Puts the database back to an older state; service and worker are stopped meanwhile."""
        self.worker.stop()
        self.service.stop()
        self._psql("psql", "-q", "-c", f"DROP DATABASE {DATABASE} WITH (FORCE)", "postgres")
        self._psql("psql", "-q", "-c", f"CREATE DATABASE {DATABASE} OWNER {LOGINS[MIGRATIONS]}", "postgres")
        self._psql("psql", "-q", "-v", "ON_ERROR_STOP=1", "-f", str(backup), DATABASE)
        self.service.start()
        self.worker.start()
        wait_until(lambda: self._answers("ready"), 60, "the service did not become ready after a restore")

    def _psql(self, program: str, *words: str) -> str:
        login = make_url(self.postgres.url_of(DATABASE))
        where = ("-h", "127.0.0.1", "-p", str(login.port), "-U", login.username or "")
        return self.postgres.run(
            program, *where, *words, environment={"PGPASSWORD": str(login.password or "")}
        )

    def audit(self, digests: Iterable[str]) -> None:
        """Has these originals read back from the store."""
        words = [word for digest in sorted(digests) for word in ("--digest", digest)]
        command = [sys.executable, "-m", "service", "audit", *words]
        done = subprocess.run(
            command, cwd=ROOT, env=environment_of(self.settings), capture_output=True, text=True
        )
        if done.returncode not in (0, NOT_SOUND):
            raise RuntimeError(f"the audit ended with {done.returncode}: {done.stderr}")


def wait_until(found: Callable[[], bool], seconds: float, otherwise: str, every: float = 0.2) -> None:
    """Waits until `found` answers true; raises TimeoutError with `otherwise` after `seconds`."""
    until = time.monotonic() + seconds
    while not found():
        if time.monotonic() > until:
            raise TimeoutError(otherwise)
        time.sleep(every)

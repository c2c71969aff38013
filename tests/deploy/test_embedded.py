"""The embedded engines keep what they were given and outlive nobody."""

from __future__ import annotations

import os
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path

import psycopg
import pytest

from deploy.embedded import unprivileged
from deploy.embedded.ports import all_free, free_ports
from deploy.embedded.postgres import DATABASE, Postgres
from deploy.embedded.processes import Child, StartError, lock_folder
from deploy.embedded.store import ObjectStore
from service.objects import Objects
from tests.engines import settings_of, throwaway_folder

ROOT = Path(__file__).parents[2]

pytestmark = pytest.mark.anyio


@pytest.fixture
def folder() -> Iterator[Path]:
    with throwaway_folder() as outer:
        spaced = outer / "with a space"
        spaced.mkdir()
        yield spaced


def connect(server: Postgres) -> psycopg.Connection[tuple[object, ...]]:
    return psycopg.connect(server.url_of(DATABASE).replace("+psycopg", ""), autocommit=True)


def listening(pid: int) -> set[str]:
    """The addresses a process listens on over TCP, from /proc."""
    held = {str(fd.readlink()) for fd in Path(f"/proc/{pid}/fd").iterdir() if fd.is_symlink()}
    found = set()
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/{pid}/net/{table}").read_text().splitlines()[1:]:
            fields = line.split()
            if fields[3] == "0A" and f"socket:[{fields[9]}]" in held:
                raw = fields[1].split(":")[0]
                found.add(socket.inet_ntoa(struct.pack("<I", int(raw, 16))) if len(raw) == 8 else raw)
    return found


def working_in(folder: Path) -> list[int]:
    """The processes whose command line names the folder."""
    found = []
    for process in Path("/proc").iterdir():
        if process.name.isdigit() and int(process.name) != os.getpid():
            with suppress(OSError):
                if str(folder).encode() in (process / "cmdline").read_bytes():
                    found.append(int(process.name))
    return found


def wait_until(true: Callable[[], bool], seconds: float = 40) -> bool:
    deadline = time.monotonic() + seconds
    while not true() and time.monotonic() < deadline:
        time.sleep(0.05)
    return true()


linux = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")


async def test_postgres_keeps_its_data_through_a_stop_and_a_crash(folder: Path) -> None:
    server = Postgres(folder / "postgres")
    try:
        server.start()
        port = server.port
        with closing(connect(server)) as connection:
            connection.execute("CREATE TABLE kept (n int)")
            connection.execute("INSERT INTO kept VALUES (1)")
        server.stop()
        server.stop()
        server.start()
        assert server.port == port
        with closing(connect(server)) as connection:
            connection.execute("INSERT INTO kept VALUES (2)")
            server.kill()
        server.start()
        with closing(connect(server)) as connection:
            assert connection.execute("SELECT n FROM kept ORDER BY n").fetchall() == [(1,), (2,)]
            assert "PostgreSQL 18" in server.run("psql", "--version").replace("(PostgreSQL)", "PostgreSQL")
    finally:
        server.stop()


async def test_store_keeps_its_objects_through_a_stop_and_a_crash(folder: Path) -> None:
    store = ObjectStore(folder / "store")
    try:
        for step, end in enumerate((store.stop, store.kill, store.stop)):
            store.start()
            with closing(Objects(settings_of(store))) as objects:
                await objects.write(f"derived/{step}", bytes([step]) * 1000, "text/plain")
                for earlier in range(step + 1):
                    assert await objects.read(f"derived/{earlier}") == bytes([earlier]) * 1000
            end()
    finally:
        store.stop()
    assert not [path for path in store._sockets() if path.exists()]


@linux
async def test_both_listen_on_loopback_only_and_ask_for_a_password(folder: Path) -> None:
    with (
        Postgres(folder / "postgres", throwaway=True) as server,
        ObjectStore(folder / "store", throwaway=True) as store,
    ):
        assert listening(server.pid) == {"127.0.0.1"}
        assert listening(store.pid) == {"127.0.0.1"}
        for wrong in ("", ":wrong"):
            with pytest.raises(psycopg.OperationalError):
                psycopg.connect(f"postgresql://sightledger{wrong}@127.0.0.1:{server.port}/sightledger")
    assert not list(folder.iterdir()), "throwaway data must be gone"


# Who is started in the background of a shell ignores the interrupt until told otherwise.
STARTER = """
import signal, sys, time
signal.signal(signal.SIGINT, signal.default_int_handler)
from pathlib import Path
from deploy.embedded.postgres import Postgres
from deploy.embedded.store import ObjectStore
folder = Path(sys.argv[1])
with Postgres(folder / "postgres", throwaway=True) as server:
    print("postgres", flush=True)
    with ObjectStore(folder / "store", throwaway=True) as store:
        print("store", flush=True)
        time.sleep(60)
"""


@linux
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
@pytest.mark.parametrize("started", [1, 2], ids=["in the middle of the start", "when all is up"])
async def test_nothing_is_left_when_the_starter_is_ended(
    folder: Path, number: signal.Signals, started: int
) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", STARTER, str(folder)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    ) as starter:
        assert starter.stdout is not None
        for _ in range(started):
            starter.stdout.readline()
        assert len(working_in(folder)) > started
        time.sleep(0.2)
        starter.send_signal(number)
        starter.wait(60)
    assert wait_until(lambda: not working_in(folder)), working_in(folder)
    # A kill between making a folder and starting in it may leave the bare folder, never the data.
    assert not [path for path in folder.rglob("*") if path.is_file() and path.name != "lock"]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root has to hand the server to another user")
async def test_as_root_data_under_a_closed_path_are_kept_behind_a_link(folder: Path) -> None:
    folder.chmod(0o700)
    server = Postgres(folder / "postgres")
    with server:
        linked = (folder / "postgres" / "data").resolve()
        assert linked.stat().st_uid == server.user[0] != 0
        with closing(connect(server)) as connection:
            connection.execute("CREATE TABLE kept ()")
    with Postgres(folder / "postgres") as again, closing(connect(again)) as connection:
        assert again.data == linked
        assert connection.execute("SELECT count(*) FROM kept").fetchall() == [(0,)]
    # Deleting the folder is deleting the data: the next link made anywhere clears them away.
    (folder / "postgres" / "data").unlink()
    other = unprivileged.linked_elsewhere(folder / "other")
    assert not linked.exists()
    (folder / "other").unlink()
    unprivileged.linked_elsewhere(folder / "last")
    assert not other.exists()
    last = (folder / "last").resolve().parent
    (last / "link").unlink()
    (last / "data").rmdir()
    last.rmdir()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root has to hand the server to another user")
async def test_as_root_programs_under_a_closed_path_are_copied_once(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(unprivileged, "shared_temporary_folder", lambda: folder)
    part = folder / "part"
    part.mkdir()
    (part / "program").write_text("first")
    home = unprivileged.copied_once([part], "copies")
    (part / "program").write_text("second")
    assert unprivileged.copied_once([part], "copies") == home
    assert (home / "part" / "program").read_text() == "first"
    home.chmod(0o777)
    with pytest.raises(PermissionError, match="not a folder of this user alone"):
        unprivileged.copied_once([part], "copies")


async def test_a_folder_in_use_is_refused_with_the_reason(folder: Path) -> None:
    held = lock_folder(folder)
    try:
        with pytest.raises(StartError, match="in use by another run"):
            lock_folder(folder, patience=0.2)
    finally:
        os.close(held)
    os.close(lock_folder(folder))


async def test_a_command_that_does_not_exist_or_fails_is_told(folder: Path) -> None:
    with pytest.raises(StartError, match="no-such-program"):
        Child([folder / "no-such-program"], log=folder / "log")
    child = Child(
        [sys.executable, "-c", "print('said', flush=True); raise SystemExit(7)"], log=folder / "log"
    )
    assert wait_until(lambda: child.poll() == 7)
    assert child.said() == "said"
    child.stop()


async def test_ports_are_free_and_distinct() -> None:
    ports = free_ports(20, apart=10000)
    assert len(set(ports)) == 20
    assert all_free([*ports, *(port + 10000 for port in ports)])
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", ports[0]))
        taken.listen()
        assert not all_free(ports)

"""Where the agent keeps its state, and what a person can set there.

`agent.toml` is written by people, `enrolment.json` and `token` by `enrol`. Each setting can also be given
as an environment variable SIGHTLEDGER_AGENT_<NAME>.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tomllib
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from uuid import UUID

import msgspec
import platformdirs

from agent.errors import AgentError
from agent.sync.hours import parse
from service.contract.access import JwkSet
from service.contract.wire import new_id

MIB = 1024 * 1024
POSIX_ROOTS = ["/media/*/*", "/media/*", "/run/media/*/*", "/Volumes/*"]


class Settings(msgspec.Struct, forbid_unknown_fields=True, frozen=True, kw_only=True):
    """What `agent.toml` may hold. Times in seconds, sizes in bytes."""

    media_roots: list[str] | None = None
    take_unmarked: bool = False
    pull_every: float = 60.0
    report_every: float = 60.0
    # How often what is held here is compared with what the service knows.
    compare_every: float = 3600.0
    watch_every: float = 2.0
    uploads: int = 8
    timeout: float = 30.0
    # Bytes per second for all that is pushed, 0: no limit; not in `full_speed_hours`.
    bandwidth: float = 0.0
    full_speed_hours: list[str] = []
    # Outside these hours pictures wait; none given: they go at any time. Like 18:00-06:00, at the site.
    push_hours: list[str] = []
    keep_days: float = 7.0
    spool_free: int = 500 * MIB

    def __post_init__(self) -> None:
        for span in (*self.full_speed_hours, *self.push_hours):
            parse(span)
        if self.uploads < 1 or self.timeout <= 0 or self.bandwidth < 0:
            raise ValueError("uploads, timeout and bandwidth cannot be less than 1, above 0 and 0")

    def roots(self) -> list[str]:
        """Patterns of folders that are media when they appear; Windows drives are found apart."""
        if self.media_roots is not None:
            return self.media_roots
        return [] if sys.platform == "win32" else POSIX_ROOTS


class Enrolment(msgspec.Struct, forbid_unknown_fields=True, frozen=True, kw_only=True):
    """Who this workstation is to the service, and the keys that receipts are checked with."""

    url: str
    id: UUID
    name: str
    site: str
    site_name: str
    time_zone: str
    keys: JwkSet


class State:
    """The state folder and what lies in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.spool = folder / "spool"
        self.database = folder / "outbox.sqlite3"
        # Left by a process that met damage in the outbox, for the next one that opens it.
        self.outbox_damaged = folder / "outbox.damaged"
        self.profiles = folder / "profiles"
        self.locks = folder / "locks"
        self.pushing = folder / "pushing.json"

    def prepare(self) -> State:
        """Make the folder, for its owner only."""
        self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        for sub in (self.spool, self.profiles, self.locks):
            sub.mkdir(exist_ok=True)
        return self

    def settings(self, environment: Mapping[str, str] | None = None) -> Settings:
        """Settings of `agent.toml` under those of the environment; raises AgentError naming what is wrong."""
        path = self.folder / "agent.toml"
        try:
            values = tomllib.loads(path.read_text("utf-8")) if path.exists() else {}
            values |= _from_environment(os.environ if environment is None else environment)
            return msgspec.convert(values, Settings, strict=False)
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, msgspec.ValidationError) as error:
            raise AgentError(
                f"The settings in {path} cannot be used: {error}.", "Nothing was done."
            ) from error

    def enrolment(self) -> Enrolment:
        """Raises AgentError when this workstation is not enrolled."""
        path = self.folder / "enrolment.json"
        try:
            return msgspec.json.decode(path.read_bytes(), type=Enrolment)
        except FileNotFoundError:
            raise AgentError(
                "This workstation is not enrolled.",
                "It belongs to no site yet, so nothing was read or written.",
                "Run: sightledger-agent enrol URL CODE --name NAME",
            ) from None
        except (OSError, msgspec.DecodeError) as error:
            raise AgentError(f"{path} cannot be read: {error}.", next_step="Enrol again.") from error

    def token(self) -> str:
        try:
            return (self.folder / "token").read_text("ascii").strip()
        except OSError as error:
            raise AgentError(f"The token cannot be read: {error}.", next_step="Enrol again.") from error

    def enrolment_id(self, code: str) -> UUID:
        """The id to enrol under: the same for the same code, so that a lost answer can be had again (I8)."""
        path = self.folder / "enrolling"
        used = hashlib.sha256(code.encode("utf-8", "surrogatepass")).hexdigest()
        if path.exists():
            agent_id, _, of = path.read_text("ascii").partition(" ")
            if of == used:
                return UUID(agent_id)
        made = new_id()
        write_private(path, f"{made} {used}".encode("ascii"))
        return made

    def keep_enrolment(self, enrolment: Enrolment, token: str) -> None:
        """Token first: an enrolment without a token would look whole."""
        write_private(self.folder / "token", token.encode("ascii"))
        write_private(self.folder / "enrolment.json", msgspec.json.encode(enrolment))


def _from_environment(environment: Mapping[str, str]) -> dict[str, object]:
    values: dict[str, object] = {}
    for name in Settings.__struct_fields__:
        raw = environment.get(f"SIGHTLEDGER_AGENT_{name.upper()}")
        if raw is not None:
            separator = {"media_roots": os.pathsep, "full_speed_hours": ",", "push_hours": ","}.get(name)
            values[name] = raw if separator is None else [one for one in raw.split(separator) if one]
    return values


def state_at(folder: Path | None) -> State:
    """The state folder given, or the user's own place for it."""
    return State(folder or Path(platformdirs.user_state_dir("sightledger-agent", appauthor=False)))


def write_private(path: Path, data: bytes) -> None:
    """Replace a file by one that only its owner can read (0600), or leave the old one whole."""
    beside = path.with_name(path.name + ".new")
    with suppress(FileNotFoundError):
        beside.unlink()
    handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)

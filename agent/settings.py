"""Where the agent keeps its state, and what a person can set there.

`agent.toml` is written by people, `enrolment.json` and `token` by `enrol`. Each setting can also be given
as an environment variable SIGHTLEDGER_AGENT_<NAME>.
"""

from __future__ import annotations

import difflib
import hashlib
import os
import sys
import time
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated
from uuid import UUID

import msgspec
import platformdirs
from msgspec import Meta

from agent import private
from agent.errors import AgentError, why
from agent.hours import SPAN
from service.contract.access import JwkSet
from service.contract.bounds import refused
from service.contract.wire import new_id

MIB = 1024 * 1024
# What stands between the items of a list that is given as an environment variable.
SEPARATED = {"media_roots": os.pathsep, "full_speed_hours": ",", "push_hours": ","}
POSIX_ROOTS = ["/media/*/*", "/media/*", "/run/media/*/*", "/Volumes/*"]


Every = Annotated[float, Meta(ge=0.1, le=86400, description="a number of seconds from 0.1 to 86400")]
Uploads = Annotated[int, Meta(ge=1, le=64, description="a whole number from 1 to 64")]
Timeout = Annotated[float, Meta(ge=1, le=60, description="a number of seconds from 1 to 60")]
# At less than a thousand bytes per second a picture would take longer than its ticket is good for.
Bandwidth = Annotated[
    Annotated[float, Meta(ge=1000, le=1e12)] | None,
    Meta(description="a number of bytes per second, 1000 or more; left out: no limit"),
]
Days = Annotated[float, Meta(ge=0, le=3650, description="a number of days from 0 to 3650")]
Size = Annotated[int, Meta(ge=0, le=10**15, description="a whole number of bytes, 0 or more")]
YesNo = Annotated[bool, Meta(description="true or false")]
Spans = Annotated[
    list[Annotated[str, Meta(pattern=rf"^{SPAN.pattern}\Z")]],
    Meta(description='a list of hours like ["18:00-06:00"]'),
]
Patterns = Annotated[
    list[Annotated[str, Meta(min_length=1)]] | None,
    Meta(description='a list of folders like ["/media/*/*"]'),
]
ProfileName = Annotated[
    Annotated[str, Meta(min_length=1)] | None,
    Meta(description="the code of a card profile or the path of its file"),
]


class Settings(msgspec.Struct, forbid_unknown_fields=True, frozen=True, kw_only=True):
    """What `agent.toml` may hold. Times in seconds, sizes in bytes."""

    media_roots: Patterns = None
    take_unmarked: YesNo = False
    # Of cards that are prepared, or read without a marker; none: that of the site.
    profile: ProfileName = None
    pull_every: Every = 60.0
    report_every: Every = 60.0
    # How often what is held here is compared with what the service knows.
    compare_every: Every = 3600.0
    watch_every: Every = 2.0
    uploads: Uploads = 8
    timeout: Timeout = 30.0
    # Bytes per second for all that is pushed; not in `full_speed_hours`.
    bandwidth: Bandwidth = None
    full_speed_hours: Spans = []
    # Outside these hours pictures wait; none given: they go at any time. Like 18:00-06:00, at the site.
    push_hours: Spans = []
    keep_days: Days = 7.0
    spool_free: Size = 500 * MIB

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
        """Make the folder for its owner only; one that others could read is shut first."""
        private.make_folder(self.folder)
        private.shut(self.folder)
        for sub in (self.spool, self.profiles, self.locks):
            private.make_folder(sub)
        return self

    def settings(self, environment: Mapping[str, str] | None = None) -> Settings:
        """Settings of `agent.toml` under those of the environment; raises AgentError naming what is wrong."""
        path = self.folder / "agent.toml"
        given = _in_file(path) | _in_environment(os.environ if environment is None else environment)
        try:
            return msgspec.convert(given, Settings, strict=False)
        except msgspec.ValidationError as error:
            raise AgentError(
                f"Settings of this workstation cannot be used: {'; '.join(_faults(given))}.",
                "Nothing was done.",
                f"Correct them in {path} or in the environment.",
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
            raise AgentError(
                f"Who this workstation is cannot be read from {path} ({error}).",
                "Nothing was read or written; what was copied before lies in the spool.",
                "Enrol again.",
            ) from error

    def token(self) -> str:
        try:
            return (self.folder / "token").read_text("ascii").strip()
        except OSError as error:
            raise AgentError(
                f"The token of this workstation cannot be read: {why(error)}.",
                "Cards can be read; nothing can be pushed.",
                "Enrol again.",
            ) from error

    def token_age(self) -> float:
        """Seconds since the token was kept, by the clock of this computer, which may have been wrong then."""
        return abs(time.time() - (self.folder / "token").stat().st_mtime)

    def keep_token(self, token: str) -> None:
        private.write(self.folder / "token", token.encode("ascii"))

    def enrolment_id(self, code: str) -> UUID:
        """The id to enrol under: the same for the same code, so that a lost answer can be had again (I8)."""
        path = self.folder / "enrolling"
        used = hashlib.sha256(code.encode("utf-8", "surrogatepass")).hexdigest()
        if path.exists():
            agent_id, _, of = path.read_text("ascii").partition(" ")
            if of == used:
                return UUID(agent_id)
        made = new_id()
        private.write(path, f"{made} {used}".encode("ascii"))
        return made

    def keep_enrolment(self, enrolment: Enrolment, token: str) -> None:
        """Token first: an enrolment without a token would look whole."""
        self.keep_token(token)
        private.write(self.folder / "enrolment.json", msgspec.json.encode(enrolment))


def _in_file(path: Path) -> dict[str, object]:
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise AgentError(
            f"The settings in {path} cannot be read.",
            "Nothing was done.",
            f"Correct the file; it must be TOML in UTF-8 ({error}).",
        ) from error


def _in_environment(environment: Mapping[str, str]) -> dict[str, object]:
    values: dict[str, object] = {}
    for name in Settings.__struct_fields__:
        raw = environment.get(f"SIGHTLEDGER_AGENT_{name.upper()}")
        if raw is not None:
            separator = SEPARATED.get(name)
            values[name] = raw if separator is None else [part for part in raw.split(separator) if part]
    return values


def _faults(given: Mapping[str, object]) -> Iterator[str]:
    for name in sorted(given.keys() - set(Settings.__struct_fields__)):
        near = difflib.get_close_matches(name, Settings.__struct_fields__, n=1)
        yield f"there is no setting {name}" + (f", perhaps {near[0]} was meant" if near else "")
    for name, admitted in refused(Settings, given).items():
        yield f"{name} cannot be {given[name]!r}, it must be {admitted['description']}"


def state_at(folder: Path | None) -> State:
    """The state folder given, or the user's own place for it."""
    return State(folder or Path(platformdirs.user_state_dir("sightledger-agent", appauthor=False)))

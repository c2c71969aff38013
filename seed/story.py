"""The story the demo plays, over the same API and commands that people use.

Every chapter can be played again: ids are the demo's own (seed.identity), cards that were put in stay
in, and what the service already holds is not sent again.
"""

from __future__ import annotations

import hashlib
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, Self
from zoneinfo import ZoneInfo

from agent.cards.marker import MARKER_NAME, Marker, read_marker
from seed.cast import CARDS, DEMO_UNITS, FilledCard
from seed.desk import Desk, Refused
from seed.identity import demo_id
from seed.load import CAMPAIGNS, campaign_name, plan_text
from seed.scenario import load_scenario
from seed.scope import ScopeClock, Take, Videoscope, put_truncated, put_zero_length, takes_for

CARD_SECONDS = 90
# Reached through port P4, which is seized on VLR-T02.
SEIZED = "KG.B.IMS-B"
FIRST_DAY = datetime(2026, 10, 20, 7, 30, tzinfo=UTC)


class StoryError(Exception):
    """The story did not come out as told; the text says where."""


class Workstation(Protocol):
    """An enrolled agent of one site; `media` is the folder in which cards appear."""

    site: str
    media: Path
    drawer: Path

    def run(self, *words: str, ok: tuple[int, ...] = (0,)) -> str: ...


@dataclass
class Summary:
    """What the service holds when the story has been played."""

    units: int = 0
    inspections: int = 0
    locations: int = 0
    complete: int = 0
    card_returns: int = 0
    files_read: int = 0
    images: int = 0
    not_sent: int = 0
    bytes: int = 0
    # Pictures of the audited unit that are not as the story left them.
    others: int = 0
    elsewhere: int = 0
    not_held: int = 0
    proofs: list[str] = field(default_factory=list)


class Story:
    def __init__(
        self,
        url: str,
        passwords: dict[str, str],
        stations: dict[str, Workstation],
        say: Callable[[str], None],
    ) -> None:
        self.url = url
        self.passwords = passwords
        self.stations = stations
        self.say = say
        self.scenario = load_scenario()
        self._desks: dict[str, Desk] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for desk in self._desks.values():
            desk.close()

    def desk(self, login: str) -> Desk:
        """One of the people, signed in once for the whole story."""
        if login not in self._desks:
            self._desks[login] = Desk(self.url, login, self.passwords[login])
        return self._desks[login]

    def play(self) -> Summary:
        """All chapters in order; raises StoryError, Refused or an agent's failure."""
        if self.open_campaigns():
            for station in self.stations.values():
                station.run("run", "--once")
        self.take_cards()
        self.state_completion()
        self.publish_revision()
        self.rebind()
        self.read_again()
        summary = self.audit()
        if summary.not_held or summary.elsewhere:
            raise StoryError(f"Not all pictures of the cards are shown: {'; '.join(summary.proofs)}.")
        return summary

    def open_campaigns(self) -> bool:
        """Open what is not open yet; True when something was, which the agents do not know then."""
        manager = self.desk("idowu")
        fresh = {kind: plan for kind, plan in CAMPAIGNS.items() if not self._is_open(manager, kind)}
        if fresh:
            self.say("the manager opens a campaign over units at several sites")
        for kind, plan in fresh.items():
            units = [u.serial for u in self.scenario.units if u.type == kind and u.serial in DEMO_UNITS]
            window = self.scenario.campaign
            manager.put(
                f"/campaigns/{self._campaign(kind)}",
                {
                    "name": campaign_name(self.scenario, kind),
                    "plan": plan,
                    "opens": window.opens.isoformat(),
                    "closes": window.closes.isoformat(),
                    "units": units,
                },
            )
        return bool(fresh)

    def _is_open(self, desk: Desk, kind: str) -> bool:
        return any(one["id"] == self._campaign(kind) for one in desk.every("/campaigns", limit=100))

    def _campaign(self, kind: str) -> str:
        return str(demo_id("campaign", campaign_name(self.scenario, kind)))

    def take_cards(self) -> None:
        for number, card in enumerate(CARDS, 1):
            if not (self.stations[card.site].media / card.name).exists():
                self.say(
                    f"card {number} of {len(CARDS)}: {card.name} is prepared for {card.serial} and filled"
                )
                self._fill(card)
                self.say(f"card {number} of {len(CARDS)}: {card.name} is put into the workstation")
                self._insert(card)
        for card in CARDS:
            self._await_return(card)

    def _fill(self, card: FilledCard) -> None:
        """The agent prepares the card; the inspector goes to the machine and takes the pictures."""
        station = self.stations[card.site]
        folder = station.drawer / card.name
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        station.run(
            "prepare",
            card.serial,
            "--card",
            str(folder),
            *(["--profile", card.profile] if card.profile else []),
            "--scope",
            card.scope,
            "--person",
            card.person,
        )
        marker = marker_of(folder)
        asset = next(scope for scope in self.scenario.scopes if scope.asset == card.scope)
        zone = ZoneInfo(next(site.time_zone for site in self.scenario.sites if site.code == card.site))
        hours = 12 if card.shift == "night" else 0
        clock = ScopeClock(
            FIRST_DAY + timedelta(days=CARDS.index(card), hours=hours),
            zone,
            timedelta(seconds=asset.clock_error_s),
        )
        scope = Videoscope(card.scope, next_number=1 + 400 * CARDS.index(card))
        taken = scope.take_all(folder, card.serial, self._takes(card, marker, folder), clock)
        if card.odd:
            put_truncated(taken[-1].path.parent, taken[-1].path.read_bytes())
            put_zero_length(taken[-1].path.parent)

    def _takes(self, card: FilledCard, marker: Marker, folder: Path) -> list[Take]:
        takes: list[Take] = []
        for key in self._keys(card, marker):
            location = self.scenario.location(key)
            if not marker.folders:
                (folder / "DCIM" / "100TWVS").mkdir(parents=True, exist_ok=True)
                takes += takes_for(location, "DCIM/100TWVS")
                continue
            for take in takes_for(location, "", seen=card.seen.get(key)):
                takes.append(take._replace(folder=folder_for(marker, take), evaluation=None))
        return takes

    def _keys(self, card: FilledCard, marker: Marker) -> list[str]:
        """The locations to fill; "*" stands for all of the job but those named after it."""
        if card.locations[0] != "*":
            return list(card.locations)
        left_out = set(card.locations[1:])
        prepared = dict.fromkeys(of.location for of in marker.folders.values() if of.location)
        return [key for key in prepared if key not in left_out]

    def _insert(self, card: FilledCard) -> None:
        station = self.stations[card.site]
        station.media.mkdir(parents=True, exist_ok=True)
        (station.drawer / card.name).rename(station.media / card.name)

    def _returns(self, desk: Desk, card: FilledCard) -> list[dict[str, Any]]:
        card_id = str(marker_of(self.stations[card.site].media / card.name).card_id)
        every = desk.every("/card-returns", site=card.site, limit=100)
        return [one for one in every if one["cardId"] == card_id and one["state"] == "committed"]

    def _await_return(self, card: FilledCard) -> None:
        """Wait until the agent has read the card and the service holds it."""
        deadline = time.monotonic() + CARD_SECONDS
        auditor = self.desk("fairlamb")
        while not (found := self._returns(auditor, card)):
            if time.monotonic() > deadline:
                raise StoryError(f"{card.name} was not taken by its agent within {CARD_SECONDS} s.")
            time.sleep(0.5)
        one = found[0]
        self.say(f"{card.name}: {one['files']} files read, {one['filesNew']} stored, receipt signed")

    def state_completion(self) -> None:
        self.say("two shifts state what they finished; each counts once")
        day, night = self.desk("whitlow"), self.desk("pryce-hart")
        inspection = self._inspection(day, CARDS[0].serial)
        early = list(CARDS[0].locations)
        keys = [one["key"] for one in inspection["locations"] if one["state"] != "not_applicable"]
        self._state(day, inspection["id"], "day", early)
        # The night shift does not know what the day shift stated, and names one location again.
        self._state(night, inspection["id"], "night", [early[-1], *(key for key in keys if key not in early)])
        self.say("a whole unit is complete; then one location of it is reopened")
        whole = self._inspection(night, "KG30402-M")
        self._state(night, whole["id"], "whole", None)
        self._state(
            night,
            whole["id"],
            "again",
            ["KG.1.SUN"],
            kind="reopened",
            replaces=[str(demo_id("statement", whole["id"], "whole"))],
            note="pictures too dark, to be taken again",
        )

        self._state_the_rest()

    def _state_the_rest(self) -> None:
        """What is not done is said too: a reason, an authorised omission, and two people who disagree."""
        self.say("a seized port: not inspected with a reason, and an engineer authorises the omission")
        inspector, engineer = self.desk("obrador"), self.desk("stenhouse")
        seized = self._inspection(inspector, "KG30410-D")["id"]
        reason = "not_inspected_reason:port_seized"
        self._state(inspector, seized, "seized", [SEIZED], kind="not_inspected", reason=reason)
        self._state(
            engineer,
            seized,
            "omission",
            [SEIZED],
            kind="omission_authorised",
            reason=reason,
            replaces=[str(demo_id("statement", seized, "seized"))],
            note="the alternate view was refused; to be opened at the next outage",
        )
        self.say("two people who do not know of each other say different things: a conflict stays in sight")
        inspector, lead = self.desk("vanterpool"), self.desk("quennell")
        disputed = self._inspection(inspector, "KG30420-K")["id"]
        blocked = "not_inspected_reason:blocked"
        self._state(inspector, disputed, "done", ["KG.2.PIN"])
        self._state(lead, disputed, "blocked", ["KG.2.PIN"], kind="not_inspected", reason=blocked)

    def _state(
        self, desk: Desk, inspection: str, name: str, locations: list[str] | None, **more: Any
    ) -> None:
        body = {
            "id": str(demo_id("statement", inspection, name)),
            "inspectionId": inspection,
            "kind": "complete",
            "locations": locations,
            **more,
        }
        desk.post(f"/inspections/{inspection}/statements", body)

    def _inspection(self, desk: Desk, serial: str) -> Any:
        kind = next(unit.type for unit in self.scenario.units if unit.serial == serial)
        for row in desk.every(f"/campaigns/{self._campaign(kind)}/inspections", limit=100):
            if row["unit"] == serial:
                return desk.get(f"/inspections/{row['id']}")
        raise StoryError(f"{serial} is not in the campaign.")

    def publish_revision(self) -> None:
        """Revision C of the gearbox plan: written by one person, approved and published by another."""
        revision = demo_id("revision", "VIP-KG3-P", "C")
        path = f"/plan-revisions/{revision}"
        author, approver = self.desk("quennell"), self.desk("aldous")
        try:
            state = author.get(path)["state"]
        except Refused as refused:
            if refused.status != 404:
                raise
            state = None
        if state == "effective":
            return
        self.say("the quality office writes revision C; its author may not approve it, a second person does")
        author.put_text(path, plan_text("VIP-KG3-P", "C"))
        self._event(author, path, "submitted")
        self._must_refuse(author, path, "approved")
        self._event(approver, path, "approved")
        self._event(approver, path, "published", effectiveFrom=datetime.now(UTC).isoformat())
        while approver.get(path)["state"] != "effective":
            time.sleep(0.1)
        self.say("revision C is effective in mid campaign; open inspections stay bound to B")

    def _event(self, desk: Desk, path: str, kind: str, **more: Any) -> None:
        held = desk.get(path)
        desk.post(
            f"{path}/events",
            {"id": str(demo_id("event", path, kind)), "kind": kind, "replaces": held["heads"], **more},
        )

    def _must_refuse(self, desk: Desk, path: str, kind: str) -> None:
        try:
            self._event(desk, path, kind)
        except Refused as refused:
            self.say(f"refused, as it must be: {refused.problem.get('detail', refused)}")
        else:
            raise StoryError("The author of a revision was let approve it.")

    def rebind(self) -> None:
        revision = str(demo_id("revision", "VIP-KG3-P", "C"))
        lead = self.desk("quennell")
        inspection = self._inspection(lead, "KG30406-T")
        if inspection["revisionId"] == revision:
            return
        made = lead.post(
            f"/inspections/{inspection['id']}/bindings",
            {
                "id": str(demo_id("binding", inspection["id"], "C")),
                "revisionId": revision,
                "reason": "the unit is still open; the added bearing is to be looked at now",
            },
        )
        self.say(f"the lead re-binds KG30406-T to revision C: came {', '.join(made['passage']['came'])}")

    def read_again(self) -> None:
        """The same card a second time: new sightings, nothing sent."""
        card = CARDS[0]
        auditor = self.desk("fairlamb")
        if len(self._returns(auditor, card)) < 2:
            self.say(f"{card.name} is read a second time")
            station = self.stations[card.site]
            station.run("read", str(station.media / card.name), "--push")
        last = self._returns(auditor, card)
        if len(last) < 2 or min(one["filesNew"] for one in last) != 0:
            raise StoryError("A second read of the same card was not recognised.")

    def audit(self) -> Summary:
        """The auditor asks for one serial number and compares the bytes with the files on the cards.

        Cards and moves of visitors are told of; only bytes that are not what they are named by are a fault.
        """
        summary, auditor, serial = Summary(), self.desk("fairlamb"), CARDS[0].serial
        self._count(auditor, summary)
        self.say(f"the auditor asks for {serial} and downloads every picture")
        on_cards = self._on_cards(serial)
        history = {item["digest"]: item for item in auditor.every(f"/units/{serial}/images", limit=200)}
        equal = 0
        for digest in sorted(on_cards.keys() | history.keys()):
            if not self._sound(auditor, digest):
                summary.not_held += 1
            elif digest not in history:
                summary.elsewhere += 1
            elif digest in on_cards:
                equal += 1
            else:
                summary.others += 1
        summary.proofs = [
            f"{equal} pictures of {serial}: SHA-256 of each download equals the file on the card",
            *(f"for one: {path} {digest}" for digest, path in sorted(on_cards.items())[:1]),
            *_of_visitors(summary, serial),
        ]
        return summary

    def _sound(self, desk: Desk, digest: str) -> bool:
        """Whether a picture is held, byte for byte; raises StoryError for other bytes."""
        try:
            downloaded = desk.download(f"/images/{digest}/content")
        except Refused as refused:
            if refused.status != 404:
                raise
            return False
        if hashlib.sha256(downloaded).hexdigest() != digest:
            raise StoryError(f"The bytes of {digest} that were downloaded are others.")
        return True

    def _on_cards(self, serial: str) -> dict[str, str]:
        found = {}
        for card in CARDS:
            if card.serial == serial:
                root = self.stations[card.site].media / card.name
                for file in root.rglob("*.JPG"):
                    found[hashlib.sha256(file.read_bytes()).hexdigest()] = str(file.relative_to(root.parent))
        return found

    def _count(self, auditor: Desk, summary: Summary) -> None:
        total = auditor.get("/completion")["total"]
        summary.units = sum(1 for _ in auditor.every("/units", limit=200))
        summary.inspections = total["inspections"]
        summary.locations = total["locations"]
        summary.complete = total["complete"] + total["omitted"]
        for one in auditor.every("/card-returns", limit=200):
            summary.card_returns += 1
            summary.files_read += one["files"]
            summary.images += one["filesNew"]
            summary.not_sent += one["files"] - one["filesNew"]
            summary.bytes += one["bytesNew"]


def _of_visitors(summary: Summary, serial: str) -> list[str]:
    counted = (
        (summary.others, f"further pictures of {serial} came on other cards; each has its SHA-256"),
        (summary.elsewhere, "pictures on its cards are shown elsewhere now"),
        (summary.not_held, "pictures on its cards are not held: put there after the cards were read"),
    )
    return [f"{number} {what}" for number, what in counted if number]


def marker_of(folder: Path) -> Marker:
    marker = read_marker(folder)
    if marker is None:
        raise StoryError(f"{folder} has no {MARKER_NAME}: it was not prepared.")
    return marker


def folder_for(marker: Marker, take: Take) -> str:
    """The prepared folder that fits a picture best: its location, its elements, its evaluation."""
    fitting = [
        (path, of)
        for path, of in marker.folders.items()
        if of.location == take.location
        and (
            of.element is None
            or take.element is None
            or of.element <= take.element <= (of.element_last or of.element)
        )
    ]
    exact = [path for path, of in fitting if of.evaluation == take.evaluation]
    if not exact:
        raise StoryError(f"The card has no folder for {take.location} {take.evaluation or ''}.")
    return max(exact, key=lambda path: path.count("/"))

"""An enrolled workstation without a service: state folder, worklist and plan in the cache, a card folder."""

from __future__ import annotations

import hashlib
import io
import random
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

import msgspec
from PIL import Image

from agent.cards.identifying import identify
from agent.cards.marker import Marker
from agent.cards.preparing import CardToPrepare, prepare_card
from agent.cards.reading import read_card
from agent.cards.stating import Given
from agent.cards.taking import ReadingProgress
from agent.cards.walking import survey
from agent.profiles.schema import load_profile
from agent.profiles.tree import Plan
from agent.settings import Enrolment, State
from agent.workstation import Workstation
from service.contract.access import JwkSet
from service.contract.cards import ManifestFile
from service.contract.plan_document import (
    ElementRule,
    EvaluationWord,
    LimitText,
    Location,
    PictureRule,
    PlanDocument,
    Section,
)
from service.contract.wire import new_id
from service.contract.work import InspectionBrief, LocationBrief, RevisionBrief, Worklist

SITE = "TEST"
TERMS = {
    "gear_damage_2022:macropitting": "macropitting",
    "not_inspected_reason:blocked": "view blocked",
    "not_inspected_reason:port_seized": "access port cannot be opened",
}


def plan_document() -> PlanDocument:
    ring = Location(
        key="G.RING",
        name="Ring gear",
        component="ring gear",
        view="looking aft",
        pictures=PictureRule(required=3, elements_per_picture=10),
        builds=["X"],
        access_port="P2",
        element=ElementRule(kind="tooth", count=30, start_reference="stamped zero", count_direction="CW"),
        conditions=["gear_damage_2022:macropitting"],
        limit_text=LimitText(accept="pit up to 1 mm", stop="any crack"),
        cautions=["TURN"],
    )
    plate = Location(
        key="G.ID", name="Nameplate", component="general", view="outside",
        pictures=PictureRule(required=1), builds=["X", "Y"],
    )  # fmt: skip
    return PlanDocument(
        format="sightledger-plan/1",
        plan="P-TEST",
        title="A plan for tests",
        revision="A",
        equipment_type="T",
        builds=["X", "Y"],
        evaluation_scale=[
            EvaluationWord(code="nothing_recordable", word="nothing recordable", rank=0, requires="nothing"),
            EvaluationWord(code="refer", word="refer to engineering", rank=1, requires="engineering"),
        ],
        sections=[Section(key="S", name="Gears", locations=[plate, ring])],
        cautions=["ISOL"],
        invented=True,
    )


@dataclass
class Bench:
    """A workstation with one unit U-100 on its worklist, and an empty card."""

    station: Workstation
    card: Path
    inspection: InspectionBrief
    head: UUID

    def prepare(self, profile: str = "two-level", card: Path | None = None) -> Marker:
        wanted = CardToPrepare(
            self.inspection, Plan(plan_document(), "X"), load_profile(profile), "VS-1", "A. Person"
        )
        station = self.station
        return prepare_card(card or self.card, wanted, station.cache, station.outbox, station.enrolment)

    def read(self, card: Path | None = None, **given: object) -> UUID:
        station, root = self.station, card or self.card
        found = identify(station.state, station.cache, station.enrolment, root, Given(**given))  # type: ignore[arg-type]
        return read_card(station.state, station.outbox, station.spool, found, survey(root), ReadingProgress())

    def files(self, return_id: UUID) -> dict[str, ManifestFile]:
        decoded = [file.manifest for file in self.station.outbox.files.of(return_id)]
        return {file.path: file for file in decoded}


def make_bench(folder: Path, url: str = "http://127.0.0.1:9") -> Bench:
    state = State(folder / "state").prepare()
    state.keep_enrolment(
        Enrolment(
            url=url, id=new_id(), name="bench-1", site=SITE, site_name="Test site", time_zone="UTC",
            keys=JwkSet(keys=[]),
        ),
        "token",
    )  # fmt: skip
    station = Workstation(state)
    document = msgspec.json.encode(plan_document())
    revision = RevisionBrief(
        id=new_id(), plan="P-TEST", label="A", state="effective", effective_from=None,
        digest=hashlib.sha256(document).hexdigest(),
    )  # fmt: skip
    head = new_id()
    inspection = brief("U-100", revision, head)
    worklist = Worklist(
        site=SITE,
        inspections=[inspection, brief("U-200", revision, head)],
        revisions=[revision],
        card_profile=None,
        people=["A. Person", "B. Other"],
    )
    station.cache.keep("worklist", msgspec.json.encode(worklist))
    station.cache.keep_revision(revision, document)
    station.cache.keep("vocabulary", msgspec.json.encode(TERMS))
    station.cache.keep("cautions", b'{"ISOL":"Prove isolation first.","TURN":"Withdraw the probe first."}')
    card = folder / "card"
    card.mkdir()
    return Bench(station, card, inspection, head)


def brief(unit: str, revision: RevisionBrief, head: UUID) -> InspectionBrief:
    return InspectionBrief(
        # The same in every run, so that a slate is the same picture in every run.
        id=UUID(bytes=hashlib.sha256(unit.encode()).digest()[:16], version=4),
        campaign_id=new_id(),
        campaign="Autumn",
        unit=unit,
        equipment_type="T",
        build="X",
        position="T01",
        plan=revision.plan,
        revision_id=revision.id,
        revision=revision.label,
        locations=[
            LocationBrief(key="G.ID", state="no_statement", pictures_required=1, pictures_held=0, heads=[]),
            LocationBrief(key="G.RING", state="reopened", pictures_required=3, pictures_held=1, heads=[head]),
        ],
    )


def jpeg(seed: int, comment: bytes | None = None) -> bytes:
    """A small picture of noise, another one for each seed."""
    exif = Image.Exif()
    exif[0x010F] = "Invented Works"
    if comment is not None:
        exif.get_ifd(0x8769)[0x9286] = b"ASCII\0\0\0" + comment
    noise = random.Random(seed).randbytes(48 * 32 * 3)
    out = io.BytesIO()
    Image.frombytes("RGB", (48, 32), noise).save(out, "JPEG", exif=exif.tobytes())
    return out.getvalue()


def put(root: Path, path: str, data: bytes) -> Path:
    target = root / path
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(data)
    return target

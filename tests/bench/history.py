"""History of one serial number among 1,000,000 images: the API's page against plain SQL in psql."""

from __future__ import annotations

from pathlib import Path

from tests.bench.figures import Figure, in_turn
from tests.bench.fleet import Fleet, fleet
from tests.bench.ground import Ground

# psql comes with the embedded PostgreSQL.
TOOLS = ()
IMAGES, PAGE, ROUNDS = 1_000_000, 100, 15

PLAIN = f"""
SELECT unit_images.*, images.size, images.exif, images.verified_at, sightings.kind, sightings.marks,
       sightings.path, sightings.read_at, sightings.received_at, card_returns.person, card_returns.scope,
       agents.name, campaigns.name, plans.code, plan_revisions.label
FROM unit_images
JOIN units ON units.id = unit_images.unit_id
JOIN images ON images.digest = unit_images.digest
JOIN sightings ON sightings.id = first_sighting_id
JOIN card_returns ON card_returns.id = sightings.card_return_id
JOIN agents ON agents.id = card_returns.agent_id
JOIN inspections ON inspections.id = unit_images.inspection_id
JOIN campaigns ON campaigns.id = inspections.campaign_id
JOIN plans ON plans.id = campaigns.plan_id
JOIN plan_revisions ON plan_revisions.id = inspections.revision_id
WHERE units.serial = 'BENCH-17'
ORDER BY taken_at DESC, unit_images.id DESC
LIMIT {PAGE}
"""


def run(folder: Path) -> Figure:
    with fleet(folder, units=1000, locations=50, images=IMAGES) as here:
        return measured(here, ROUNDS, f"a page of {PAGE} of {IMAGES:,} images; ours over HTTP")


def small(ground: Ground) -> Figure:
    return measured(ground.fleet, 1, "a small fleet")


def measured(here: Fleet, number: int, remark: str) -> Figure:
    page = f"/units/BENCH-17/images?limit={PAGE}"
    here.get(page)
    pairs = in_turn(lambda: here.get(page), lambda: here.psql(PLAIN), number)
    return Figure("history", pairs, remark)

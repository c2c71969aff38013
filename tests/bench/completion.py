"""Completion of 10,000 units x 50 locations: GET /completion against the plain aggregate in psql."""

from __future__ import annotations

from pathlib import Path

from tests.bench.figures import Figure, in_turn
from tests.bench.fleet import Fleet, fleet
from tests.bench.ground import Ground

# psql comes with the embedded PostgreSQL.
TOOLS = ()
UNITS, LOCATIONS, ROUNDS = 10_000, 50, 9

PLAIN = """
SELECT sites.code, count(DISTINCT inspection_id),
       count(*) FILTER (WHERE applicable), count(*) FILTER (WHERE applicable AND state = 'complete'),
       count(*) FILTER (WHERE applicable AND state = 'omission_authorised'),
       sum(pictures_required) FILTER (WHERE applicable), sum(pictures_held) FILTER (WHERE applicable)
FROM inspection_locations
JOIN inspections ON inspections.id = inspection_id
JOIN sites ON sites.id = inspections.site_id
WHERE bound AND campaign_id = '00000000-0000-7000-8000-00000000bbbb'
GROUP BY sites.code ORDER BY sites.code
"""


def run(folder: Path) -> Figure:
    with fleet(folder, units=UNITS, locations=LOCATIONS, images=1) as here:
        return measured(here, ROUNDS, f"{UNITS} units x {LOCATIONS} locations; ours over HTTP")


def small(ground: Ground) -> Figure:
    return measured(ground.fleet, 1, "a small fleet")


def measured(here: Fleet, number: int, remark: str) -> Figure:
    here.get("/completion")
    pairs = in_turn(lambda: here.get("/completion"), lambda: here.psql(PLAIN), number)
    return Figure("completion", pairs, remark)

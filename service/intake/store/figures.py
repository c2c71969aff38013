"""SQL of the figures an operator watches; every table read here stays small at fleet size."""

from __future__ import annotations

from collections.abc import Mapping

import sqlalchemy as sa
from sqlalchemy.ext.asyncio import AsyncConnection

# Images are summed over card returns, not counted: there are hundreds of times fewer of these. So an image is
# counted once for each site that sent it.
# procrastinate_jobs is the queue's own table; done jobs are deleted from it.
_FIGURES = """
SELECT back.*, agent.*, job.*, owed.*
FROM (
    SELECT count(*) FILTER (WHERE committed_at IS NULL) AS returns_open,
           count(*) FILTER (WHERE committed_at IS NOT NULL) AS returns_committed,
           count(*) FILTER (WHERE committed_at IS NOT NULL AND NOT complete) AS returns_incomplete,
           coalesce(extract(epoch FROM now() - min(opened_at) FILTER (WHERE committed_at IS NULL)), 0)
               AS oldest_open_seconds,
           coalesce(sum(files), 0) AS files, coalesce(sum(files_new), 0) AS images,
           coalesce(sum(bytes_new), 0) AS image_bytes, coalesce(sum(not_placed), 0) AS not_placed
    FROM card_returns
) back, (
    SELECT count(*) AS agents,
           count(*) FILTER (WHERE last_seen_at IS NULL OR last_seen_at < now() - interval '1 day')
               AS agents_silent
    FROM agents WHERE retired_at IS NULL
) agent, (
    SELECT count(*) FILTER (WHERE status = 'todo') AS jobs_waiting,
           count(*) FILTER (WHERE status = 'doing') AS jobs_running,
           count(*) FILTER (WHERE status = 'failed') AS jobs_failed
    FROM procrastinate_jobs
) job, (
    SELECT coalesce(sum(locations), 0) AS locations, coalesce(sum(complete), 0) AS locations_complete,
           coalesce(sum(complete_short), 0) AS locations_complete_short,
           coalesce(sum(conflict), 0) AS locations_in_conflict,
           coalesce(sum(inspections_blocked), 0) AS inspections_blocked,
           coalesce(sum(pictures_engineering), 0) AS pictures_engineering,
           coalesce(sum(pictures_second_look), 0) AS pictures_second_look,
           coalesce(sum(pictures_unplaced), 0) AS pictures_unplaced
    FROM completion JOIN campaigns ON campaigns.id = completion.campaign_id
    WHERE campaigns.closed_at IS NULL
) owed
"""


async def figures(connection: AsyncConnection) -> Mapping[str, float]:
    found = await connection.execute(sa.text(_FIGURES))
    return {name: float(value) for name, value in found.mappings().one().items()}

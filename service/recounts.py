"""Every projection there is, each after those that it is folded from."""

from __future__ import annotations

from typing import Any

# Tables that no projection is folded from: whoever recounts looks at how the database keeps them, too.
import service.access.events
import service.access.identities
import service.intake.store.refused  # noqa: F401
from service.campaigns.actions.projections import BINDINGS, COMPLETION, INSPECTIONS
from service.custody.actions.reading import CUSTODY
from service.facts.projections import Projection
from service.intake.actions.projections import HISTORY
from service.units.actions import POSITIONS

PROJECTIONS: tuple[Projection[Any], ...] = (POSITIONS, BINDINGS, HISTORY, INSPECTIONS, COMPLETION, CUSTODY)

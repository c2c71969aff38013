"""What an agent asks of what it has sent before: after the loss of its own records, or of the service's."""

from __future__ import annotations

from typing import Annotated
from uuid import UUID

import msgspec

from service.contract.wire import Count, Digest, Wire


class ImagesAsked(Wire):
    """Digests of which a caller asks whether they are held: an agent that lost its own records."""

    digests: Annotated[list[Digest], msgspec.Meta(max_length=1000)]


class ImagesHeld(Wire):
    """Those of the digests asked for that are held, in the order asked. A receipt says more: which card."""

    held: list[Digest]


class ReturnAsked(Wire):
    """A card return as its receipt names it."""

    id: UUID
    manifest_sha256: Digest


class ReturnsAsked(Wire):
    """Card returns of which an agent asks whether the service knows their commit; none: only the count."""

    returns: Annotated[list[ReturnAsked], msgspec.Meta(max_length=1000)]


class ReturnsKnown(Wire):
    """`known`: those asked for that are committed at the agent's site with that manifest, in the order asked.

    `committed`: how many the asking agent has committed in all. The service forgets none, so fewer than the
    agent has receipts of means that its database was restored to an older state: what is not known then is
    to be offered again, under its own id.
    """

    known: list[UUID]
    committed: Count

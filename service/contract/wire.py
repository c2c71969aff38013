"""The base of all wire shapes, and the few scalar kinds they share."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Generic, TypeVar
from uuid import UUID

import msgspec
from uuid_utils.compat import uuid7

# "$" alone lets a trailing newline through.
CODE_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9._-]*$(?!\n)"
DIGEST_PATTERN = r"^[0-9a-f]{64}$(?!\n)"

Digest = Annotated[
    str, msgspec.Meta(pattern=DIGEST_PATTERN, description="SHA-256 (FIPS 180-4), lower case hex")
]
Code = Annotated[str, msgspec.Meta(min_length=1, max_length=64, pattern=CODE_PATTERN)]
Text = Annotated[str, msgspec.Meta(max_length=4000)]
Count = Annotated[int, msgspec.Meta(ge=0, le=2**53)]
UtcTime = Annotated[datetime, msgspec.Meta(tz=True)]

# Bytes. In a shorter body the head is most of the message; in longer ones packing pays: manifests, tickets,
# receipts.
WORTH_PACKING = 2_000

T = TypeVar("T")


class Wire(msgspec.Struct, rename="camel", forbid_unknown_fields=True, kw_only=True, omit_defaults=False):
    """A request or answer body: camelCase on the wire, unknown members refused."""


class Page(Wire, Generic[T]):
    """One keyset page; the next one is named by the Link header (RFC 8288), rel="next"."""

    items: list[T]


def build_shapes() -> None:
    """Build the decoder of every shape that is loaded: before threads begin, in each process that has any.

    msgspec (0.22) builds a shape at its first use, and a thread that comes while another builds reads what is
    not there yet: the process ends with a segmentation fault.
    """
    shapes: list[type[msgspec.Struct]] = [msgspec.Struct]
    while shapes:
        shape = shapes.pop()
        shapes += shape.__subclasses__()
        msgspec.json.Decoder(shape)


def new_id() -> UUID:
    """A UUIDv7 (RFC 9562 5.7); made by the caller of a write, so that the write can be repeated (I8)."""
    return uuid7()

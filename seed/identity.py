"""Ids of the demo's records: the same at every run, so that a second run repeats and adds nothing (I8)."""

from __future__ import annotations

import hashlib
from uuid import UUID

# 2026-08-24T00:00:00Z in ms, the day the invented campaign opens: the time part of every demo id.
DEMO_EPOCH_MS = 1_787_529_600_000


def demo_id(kind: str, *names: str) -> UUID:
    """A UUIDv7 (RFC 9562 5.7) whose time is the demo's and whose random part is a digest of the names."""
    digest = hashlib.sha256("\x1f".join(("sightledger demo", kind, *names)).encode()).digest()
    value = int.from_bytes(digest[:16], "big")
    value = (value & ~(((1 << 48) - 1) << 80)) | (DEMO_EPOCH_MS << 80)
    value = (value & ~(0xF << 76)) | (7 << 76)
    value = (value & ~(0x3 << 62)) | (0x2 << 62)
    return UUID(int=value)

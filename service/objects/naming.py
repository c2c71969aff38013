"""Names of objects: an original under its site and digest, and what is derived from it."""

from __future__ import annotations

import re
from typing import NamedTuple

from service.contract.wire import CODE_PATTERN

ORIGINALS = "originals/"
DIGEST = re.compile(r"[0-9a-f]{64}")
SITE = re.compile(CODE_PATTERN)


class Original(NamedTuple):
    """The bytes with this SHA-256 (lower-case hex, I1) as they came in at the site with this code.

    Each site has names of its own, so that the store's answer to a ticket tells nothing of another's bytes.
    The code of a site never changes, and holds nothing that parts a name (wire.CODE_PATTERN).
    """

    site: str
    digest: str

    @property
    def key(self) -> str:
        """The name of the object."""
        if not SITE.match(self.site):
            raise ValueError(f"{self.site!r} is no code of a site.")
        return f"{ORIGINALS}{self.site}/sha256/{_spread(self.digest)}"


def original_of(key: str) -> Original | None:
    """Which original has this name; None for a name that is none of ours."""
    site, digest = key.removeprefix(ORIGINALS).partition("/")[0], key.rpartition("/")[2]
    if not SITE.match(site) or not DIGEST.fullmatch(digest):
        return None
    original = Original(site, digest)
    return original if original.key == key else None


def thumbnail_key(digest_hex: str) -> str:
    """The name of the thumbnail of the original with this SHA-256."""
    return f"derived/thumbnails/sha256/{_spread(digest_hex)}.jpg"


def _spread(digest_hex: str) -> str:
    """Names in 256 prefixes suit stores that keep folders; each further level costs a folder per file."""
    if not DIGEST.fullmatch(digest_hex):
        raise ValueError(f"{digest_hex!r} is not a SHA-256 in lower-case hex.")
    return f"{digest_hex[:2]}/{digest_hex}"

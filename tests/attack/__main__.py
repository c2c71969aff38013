"""The attacks that need honest users beside them, at full size: sh tests/attack/run [NAME ...]

Ends with 1 when honest users waited too long, or the service took too much memory.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from deploy.stack import Stack
from service.settings import read_settings
from tests.attack.load import ATTACKS, MOST_MB, MOST_RATIO, measured
from tests.live_service import running_service

USERS, SECONDS = 20, 45.0
SIZES = {"packed-bodies": 300, "unfinished-requests": 1000, "password-changes": 200, "plan-checks": 20}
UNKNOWN = 2


def main(words: Sequence[str]) -> int:
    names = list(words) or list(ATTACKS)
    unknown = sorted(set(names) - set(ATTACKS))
    if unknown:
        print(f"There is no attack {', '.join(unknown)}; there are {', '.join(ATTACKS)}.", file=sys.stderr)
        return UNKNOWN
    with tempfile.TemporaryDirectory(prefix="sightledger-attack-") as folder, Stack(Path(folder)) as stack:
        settings, failed = read_settings(stack.environment), []
        for name in names:
            # A service of its own, so that its memory is that of this attack alone.
            with running_service(settings, Path(folder)) as service:
                figure = measured(name, service, SIZES[name], USERS, SECONDS)
            print(figure, flush=True)
            failed += [] if figure.holds else [name]
    if failed:
        print(f"Over {MOST_RATIO:.0f} x quiet or {MOST_MB:.0f} MB: {', '.join(failed)}.", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))

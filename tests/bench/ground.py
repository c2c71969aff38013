"""What the small forms of all benches share: one stack, one workstation over a slow link, one fleet."""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from functools import cached_property
from pathlib import Path

from tests.bench.card import Bench, filled_card, slow
from tests.bench.fleet import Fleet, grown


class Ground:
    """Each part is made when it is first asked for, and ends with the block."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._parts = ExitStack()

    def __enter__(self) -> Ground:
        return self

    def __exit__(self, *_error: object) -> None:
        self._parts.close()

    def folder(self, name: str) -> Path:
        """A fresh folder for one run of a bench."""
        return Path(tempfile.mkdtemp(prefix=f"{name}-", dir=self._folder))

    @cached_property
    def bench(self) -> Bench:
        return self._parts.enter_context(filled_card(self._folder, 0, over=slow))

    @cached_property
    def fleet(self) -> Fleet:
        return self._parts.enter_context(grown(self.bench.stack, units=20, locations=50, images=400))

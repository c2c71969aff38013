"""Which media are in the workstation now."""

from __future__ import annotations

import glob
import os
import sys
from pathlib import Path

from agent.settings import Settings

if sys.platform == "win32":
    import ctypes

    DRIVE_REMOVABLE = 2

    def _drives() -> list[Path]:
        """Drive letters of removable media (GetLogicalDrives, GetDriveTypeW)."""
        kernel = ctypes.windll.kernel32
        drives = kernel.GetLogicalDrives()
        letters = [chr(ord("A") + bit) for bit in range(26) if drives >> bit & 1]
        roots = [f"{letter}:\\" for letter in letters]
        return [Path(root) for root in roots if kernel.GetDriveTypeW(root) == DRIVE_REMOVABLE]
else:

    def _drives() -> list[Path]:
        return []


def media_present(settings: Settings) -> list[Path]:
    """Roots of media, by name. Those found in the usual places must be mounted; a place that a person set
    may be a plain folder."""
    found = {
        Path(match)
        for pattern in settings.roots()
        for match in glob.glob(pattern)  # noqa: PTH207
        if os.path.isdir(match) and (settings.media_roots is not None or os.path.ismount(match))  # noqa: PTH112
    }
    return sorted(found | set(_drives() if settings.media_roots is None else []))

"""`sightledger` runs inside this process, which saves a second of imports for each command.

own_process.py runs the command as a person starts it.
"""

from __future__ import annotations

import io
import os
import sys
from contextlib import redirect_stderr, redirect_stdout
from subprocess import CompletedProcess
from unittest.mock import patch

from service.__main__ import main
from service.settings import Settings
from tests.live_service import environment_of


def sightledger(settings: Settings, *words: str, stdin: str = "") -> CompletedProcess[str]:
    out, err, status = io.StringIO(), io.StringIO(), 0
    with (
        patch.object(sys, "argv", ["sightledger", *words]),
        patch.object(sys, "stdin", io.StringIO(stdin)),
        patch.dict(os.environ, environment_of(settings)),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else int(end.code is not None)
    return CompletedProcess(words, status, out.getvalue(), err.getvalue())

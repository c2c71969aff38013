"""PostgreSQL and an S3 store on this machine, for trying the service out: python -m deploy.engines FOLDER

Both listen on 127.0.0.1 only, keep their data in FOLDER, and end with this command. They are not for real
work, which needs engines of your own: the store's inner ports ask for no key on this machine.
"""

from __future__ import annotations

import argparse
import shlex
import signal
import sys
from pathlib import Path
from types import FrameType


def interrupted(_signal: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="made when it is not there")
    folder = parser.parse_args().folder
    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, interrupted)
    try:
        from deploy.embedded.processes import StartError
        from deploy.stack import Engines
    except ModuleNotFoundError as error:
        print(
            f"The engines are not installed here ({error.name} is lacking), so nothing was started. In the "
            "source tree: pip install '.[service,embedded]'",
            file=sys.stderr,
        )
        return 1
    try:
        with Engines(folder) as engines:
            print("PostgreSQL and the object store are up. In the terminals where you go on:")
            print(f"  . {shlex.quote(str(engines.note_environment()))}")
            print("Ctrl-C stops both; what they hold stays in the folder.", flush=True)
            while True:
                signal.pause()
    except KeyboardInterrupt:
        print("stopped")
        return 130
    except (OSError, StartError) as error:
        print(f"The engines did not start: {error}", file=sys.stderr)
        return 1


if __name__ == "__main__":
    raise SystemExit(main())

"""The plain tools that the benches compare with."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterable
from pathlib import Path

from agent.settings import Settings

RCLONE = "rclone"


def missing(tools: Iterable[str]) -> list[str]:
    """Those of the tools that are not installed."""
    return [tool for tool in tools if shutil.which(tool) is None]


def rclone(environment: dict[str, str], card: Path, prefix: str) -> None:
    """Copy the pictures of a folder to a prefix of the same store, over the agent's way to it, with as many
    transfers as the agent has. `environment` holds the service's settings."""
    settings = {
        "RCLONE_CONFIG": os.devnull,
        "RCLONE_CONFIG_STORE_TYPE": "s3",
        "RCLONE_CONFIG_STORE_PROVIDER": "Other",
        "RCLONE_CONFIG_STORE_ENDPOINT": environment["SIGHTLEDGER_S3_PUBLIC_ENDPOINT"],
        "RCLONE_CONFIG_STORE_ACCESS_KEY_ID": environment["SIGHTLEDGER_S3_ACCESS_KEY"],
        "RCLONE_CONFIG_STORE_SECRET_ACCESS_KEY": environment["SIGHTLEDGER_S3_SECRET_KEY"],
        "RCLONE_CONFIG_STORE_FORCE_PATH_STYLE": "true",
    }
    transfers = ["--transfers", str(Settings().uploads)]
    kept = {name: value for name, value in os.environ.items() if name != "AWS_CA_BUNDLE"}
    subprocess.run(
        [RCLONE, "copy", *transfers, "--include", "*.JPG", card, f"store:images/{prefix}"],
        env={**kept, **settings},
        check=True,
        capture_output=True,
    )


def sha256sum(card: Path) -> None:
    """Hash every picture of a folder."""
    subprocess.run(
        f"find '{card}' -name '*.JPG' -print0 | xargs -0 sha256sum",
        shell=True,
        check=True,
        capture_output=True,
    )

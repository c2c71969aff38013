"""The compose file and the units start things in the order that they need, by commands that there are."""

from __future__ import annotations

import re
from typing import Any

import pytest
import typer
import yaml

from service.__main__ import app
from tests.live_service import ROOT

COMPOSE = ROOT / "deploy" / "container" / "compose.yaml"
UNITS = sorted((ROOT / "deploy" / "systemd").glob("*.service"))
DONE = {"condition": "service_completed_successfully"}


@pytest.fixture
def parts() -> dict[str, Any]:
    loaded: dict[str, Any] = yaml.safe_load(COMPOSE.read_text())["services"]
    return loaded


def test_p28_service_and_worker_start_after_tables_and_a_bucket_with_object_lock(
    parts: dict[str, Any],
) -> None:
    for name in ("service", "worker"):
        assert parts[name]["depends_on"] == {"migrate": DONE, "bucket": DONE}
    assert parts["bucket"]["command"][:2] == ["sightledger", "bucket"]
    assert "store" in parts["bucket"]["depends_on"]
    assert parts["migrate"]["depends_on"] == {"postgres": {"condition": "service_healthy"}}
    # The store's program would make the bucket by itself, without Object Lock.
    assert "S3_BUCKET" not in parts["store"].get("environment", {})
    assert "-s3.autoCreateBucket=false" in parts["store"]["command"]


def test_only_commands_that_there_are_are_started(parts: dict[str, Any]) -> None:
    known = set(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
    started = {part["command"][1] for part in parts.values() if part.get("command", [""])[0] == "sightledger"}
    for unit in UNITS:
        started |= set(re.findall(r"/bin/sightledger (\S+)", unit.read_text()))
    assert started == {"migrate", "bucket", "worker", "serve"}
    assert started <= known

"""The commands as a person meets them, without a service."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from agent.cards import copying
from agent.cards.media import media_present
from agent.errors import AgentError
from agent.running.runner import Runner
from agent.settings import Settings, State
from tests.agent.station import Bench, jpeg, put

ROOT = Path(__file__).parents[2]


def agent(state: Path, *arguments: str, code: int = 0) -> str:
    kept = {name: value for name, value in os.environ.items() if not name.startswith("SIGHTLEDGER")}
    run = subprocess.run(
        [sys.executable, "-m", "agent", *arguments],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={**kept, "SIGHTLEDGER_AGENT_STATE": str(state), "COLUMNS": "120"},
    )
    assert run.returncode == code, run.stdout + run.stderr
    return run.stdout + run.stderr


def test_a_workstation_that_is_not_enrolled_says_how(tmp_path: Path) -> None:
    said = agent(tmp_path, "status", code=3)
    assert "not enrolled" in said
    assert "sightledger-agent enrol URL CODE" in said


def test_prepare_and_read_without_a_link(bench: Bench) -> None:
    state = bench.station.state.folder
    assert "11 folders" in agent(state, "prepare", "u-100", "--card", str(bench.card))
    put(bench.card, "01 Gears/G.RING Ring gear/A.JPG", jpeg(1))
    put(bench.card, "elsewhere/B.JPG", jpeg(2))
    put(bench.card, "01 Gears/G.ID Nameplate/CUT.JPG", jpeg(3)[:-100])
    said = agent(state, "read", str(bench.card))
    # Ring gear: 3 required, 1 held before, 1 found.
    assert "G.RING: 1 missing" in said
    assert "G.ID: 1 missing" in said
    assert "01 Gears/G.ID Nameplate/CUT.JPG is truncated" in said
    assert "not understood" in said
    assert "copied here - the card may be removed, not yet wiped" in said
    [waiting] = json.loads(agent(state, "queue", "--json"))["cardReturns"]
    assert waiting["files"] == 3
    assert agent(state, "read", str(bench.card), "--no-push").count("copied here") == 1


@pytest.mark.skipif(sys.platform == "win32", reason="links")
def test_i6_a_card_not_read_to_its_end_has_its_own_exit_code_and_words(bench: Bench) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    (bench.card / "B.JPG").symlink_to("nowhere")
    said = agent(bench.station.state.folder, "read", str(bench.card), "--no-push", code=4)
    assert "not read: B.JPG" in said
    assert "do not wipe it; read it again" in said
    assert "may be removed" not in said


def test_an_unknown_serial_is_refused(bench: Bench) -> None:
    said = agent(bench.station.state.folder, "prepare", "U-1OO", "--card", str(bench.card), code=3)
    assert "Nearest: U-100" in said


def test_run_takes_a_marked_card_once_and_leaves_others_alone(bench: Bench, tmp_path: Path) -> None:
    slots = tmp_path / "slots"
    card, stick = slots / "card", slots / "stick"
    card.mkdir(parents=True)
    bench.prepare(card=card)
    put(stick, "private.jpg", jpeg(9))
    (bench.station.state.folder / "agent.toml").write_text(f"media_roots = ['{slots}/*']\n", "utf-8")
    said: list[str] = []
    runner = Runner(State(bench.station.state.folder), said.append)
    runner.once()
    assert bench.station.outbox.returns.newest() == []
    put(card, "01 G.ID/A.JPG", jpeg(1))
    for _ in range(2):
        runner.once()
    assert len(bench.station.outbox.returns.newest()) == 1
    put(card, "01 G.ID/B.JPG", jpeg(2))
    runner.once()
    assert [row.files for row in bench.station.outbox.returns.newest()] == [2, 1]
    assert sum("holds no marker" in line for line in said) == 1


def test_run_reads_an_incomplete_card_again_when_it_is_put_in_again(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = tmp_path / "slots" / "card"
    card.mkdir(parents=True)
    bench.prepare(card=card)
    put(card, "01 G.ID/A.JPG", jpeg(1))
    (bench.station.state.folder / "agent.toml").write_text(f"media_roots = ['{tmp_path}/slots/*']\n", "utf-8")
    runner = Runner(State(bench.station.state.folder), lambda text: None)
    with monkeypatch.context() as patch:
        patch.setattr(copying.Copier, "copy", lambda self, entry, *_: copying.Failed(entry, "bad sector"))
        for _ in range(2):
            runner.once()
    assert [row.complete for row in bench.station.outbox.returns.newest()] == [0]
    card.rename(tmp_path / "out")
    runner.once()
    (tmp_path / "out").rename(card)
    for _ in range(2):
        runner.once()
    assert [row.complete for row in bench.station.outbox.returns.newest()] == [1, 0]


def test_media_are_folders_that_match(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "file").write_bytes(b"")
    assert media_present(Settings(media_roots=[f"{tmp_path}/*"])) == [tmp_path / "a"]


def test_settings_come_from_file_and_environment(tmp_path: Path) -> None:
    (tmp_path / "agent.toml").write_text("uploads = 2\nkeep_days = 1\n", "utf-8")
    settings = State(tmp_path).settings({"SIGHTLEDGER_AGENT_UPLOADS": "8"})
    assert (settings.uploads, settings.keep_days) == (8, 1)
    (tmp_path / "agent.toml").write_text("upload_s = 2\n", "utf-8")
    with pytest.raises(AgentError, match="upload_s"):
        State(tmp_path).settings({})

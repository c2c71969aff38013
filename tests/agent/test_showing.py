"""What the commands tell a person: cards by what they are, reasons, next steps, no raw fields."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from datetime import datetime, timedelta
from pathlib import Path
from uuid import UUID

import pytest

from agent.running import runner
from agent.settings import State
from seed.picture_files import ExifFacts, with_exif
from tests.agent.station import Bench, jpeg, put
from tests.agent.test_commands import ROOT, agent


def test_status_names_card_scope_unit_and_person_and_no_raw_field(bench: Bench) -> None:
    marker = bench.prepare()
    put(bench.card, "01 G.ID/A.JPG", jpeg(1))
    bench.read()
    told = agent(bench.station.state.folder, "status")
    [line] = [line for line in told.splitlines() if "copied here" in line]
    for word in ("unit U-100", str(marker.card_id)[-8:], "scope VS-1", "A. Person", "1 files"):
        assert word in line
    assert not re.search(r"\b[a-z]+[A-Z]\w+:", told), "names of fields are for programs"
    assert "None" not in told


def test_status_tells_what_is_in_now_and_whether_it_was_read(bench: Bench, tmp_path: Path) -> None:
    slot = tmp_path / "slots" / "card"
    slot.mkdir(parents=True)
    (bench.station.state.folder / "agent.toml").write_text(f"media_roots = ['{tmp_path}/slots/*']\n", "utf-8")
    bench.prepare(card=slot)
    put(slot, "01 G.ID/A.JPG", jpeg(1))
    told = agent(bench.station.state.folder, "status")
    assert f"in now at {slot}" in told
    assert "what is on it is not known; do not wipe it" in told
    agent(bench.station.state.folder, "read", str(slot), "--no-push")
    assert "what is on it is not known" not in agent(bench.station.state.folder, "status")
    put(slot, "01 G.ID/A.JPG", jpeg(2))
    assert "what is on it is not known" in agent(bench.station.state.folder, "status")


def test_status_with_the_link_down_says_what_to_do(bench: Bench) -> None:
    told = agent(bench.station.state.folder, "status")
    assert re.search(
        r"service http://127.0.0.1:9: down: .*Nothing to do: the agent tries again by itself", told
    )


def test_i6_bytes_gone_from_the_spool_are_told_and_the_card_is_not_released(bench: Bench) -> None:
    bench.prepare()
    put(bench.card, "01 G.ID/A.JPG", jpeg(1))
    return_id = bench.read()
    [file] = bench.files(return_id).values()
    bench.station.spool.remove(file.sha256)
    bench.station.outbox.originals.distrust([file.sha256])
    told = agent(bench.station.state.folder, "status")
    assert "1 files are no longer here as they were read - do not wipe the card" in told
    assert "may be removed" not in told
    bench.read()
    assert "no longer here" not in agent(bench.station.state.folder, "status")


def test_files_that_are_not_placed_are_named_with_the_reason(bench: Bench) -> None:
    bench.prepare()
    put(bench.card, "elsewhere/B.JPG", jpeg(2))
    told = agent(bench.station.state.folder, "read", str(bench.card), "--no-push")
    assert "not placed: elsewhere/B.JPG: neither folder, name nor comment tells its location" in told


@pytest.mark.skipif(sys.platform != "linux", reason="names of any bytes")
def test_a_name_gives_no_orders_to_the_terminal_and_feigns_no_line(bench: Bench) -> None:
    """Bidi_Control: Unicode Standard Annex 44, from memory; orders to a terminal: ECMA-48 5.4."""
    bench.prepare()
    feigned = "held centrally, the card may be wiped"
    for number, name in enumerate((f"a\n{feigned}", "b\x1b[2J\x1b]0;title\x07", "c\u202egpj", "d\u2028e")):
        put(bench.card, f"elsewhere/{name}.JPG", jpeg(number))
    told = agent(bench.station.state.folder, "read", str(bench.card), "--no-push")
    assert "not placed: elsewhere/b\\u{001B}[2J\\u{001B}]0;title\\u{0007}.JPG" in told
    assert not any(line.startswith(feigned) for line in told.splitlines())
    assert not set(told) & set("\x1b\x07\u202e\u2028")
    status = agent(bench.station.state.folder, "status")
    assert not set(status) & set("\x1b\x07\u202e\u2028")


def test_work_shows_what_the_site_owes_without_a_link(bench: Bench) -> None:
    folder = bench.station.state.folder
    told = agent(folder, "work")
    assert re.search(r"U-100 .*P-TEST A", told)
    # Of two locations none is answered; 1 of 1 and 2 of 3 pictures are missing.
    assert re.search(r"U-100 .* 2 .* 0 .* 3 ", told)
    told = agent(folder, "work", "u-100")
    assert re.search(r"G.RING .*Ring gear .*reopened .* 3 .* 1 ", told)
    assert "Nearest: U-100" in agent(folder, "work", "U-1OO", code=3)


def test_reasons_are_those_that_were_pulled(bench: Bench) -> None:
    folder = bench.station.state.folder
    bench.station.cache.keep("vocabulary", b"{}")
    assert "Connect once and run" in agent(folder, "reasons", code=3)
    bench.station.cache.keep("vocabulary", b'{"not_inspected_reason:rotor_fixed":"rotor fixed","x:y":"z"}')
    assert agent(folder, "reasons") == "not_inspected_reason:rotor_fixed  rotor fixed\n"


def test_version_and_completion(tmp_path: Path) -> None:
    assert re.fullmatch(r"sightledger-agent \S+\n", agent(tmp_path, "--version"))
    assert "--show-completion" in agent(tmp_path, "--help")


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_after_ctrl_c_it_is_said_what_was_kept(bench: Bench) -> None:
    bench.prepare()
    for number in range(400):
        put(bench.card, f"01 G.ID/{number}.MP4", os.urandom(300_000))
    process = subprocess.Popen(
        [sys.executable, "-m", "agent", "read", str(bench.card), "--no-push"],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        env={**os.environ, "SIGHTLEDGER_AGENT_STATE": str(bench.station.state.folder)},
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )  # fmt: skip
    while bench.station.outbox.returns.newest() == []:
        time.sleep(0.01)
    process.send_signal(signal.SIGINT)
    told = process.communicate(timeout=60)[0]
    assert process.returncode == 130, told
    assert "Traceback" not in told
    assert "What was copied is kept here" in told
    [row] = bench.station.outbox.returns.newest()
    assert (row.state, row.complete) == ("copied", 0)


def test_p26_a_workstation_whose_clock_is_off_blames_no_scope(bench: Bench) -> None:
    bench.prepare()
    taken = ExifFacts("VS-1", datetime(2031, 1, 1, 12), "0" * 32)  # noqa: DTZ001
    put(bench.card, "01 G.ID/A.JPG", with_exif(jpeg(1), taken))
    bench.station.cache.keep("clock-offset", b"%.2f" % timedelta(days=365).total_seconds())
    told = agent(bench.station.state.folder, "read", str(bench.card), "--no-push")
    assert "the scope's clock seems" not in told
    assert "the clock of this workstation is off" in told
    assert "is 365 days behind the service's" in agent(bench.station.state.folder, "status")


def test_a_workstation_without_its_token_says_so_once(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("AFTER_TROUBLE", "BREATH"):
        monkeypatch.setattr(runner, name, 0.02)
    (bench.station.state.folder / "token").unlink()
    lines: list[str] = []
    running = runner.Runner(State(bench.station.state.folder), lines.append)
    thread = threading.Thread(target=running.forever)
    thread.start()
    time.sleep(2)
    running.stop()
    thread.join(20)
    assert sum("token" in line for line in lines) == 1, lines
    assert not any("link is back" in line for line in lines)


def test_what_programs_get_of_status_is_json(bench: Bench) -> None:
    bench.prepare()
    put(bench.card, "01 G.ID/A.JPG", jpeg(1))
    return_id = bench.read()
    facts = json.loads(agent(bench.station.state.folder, "status", "--json"))
    [card_return] = facts["cardReturns"]
    assert UUID(card_return["id"]) == return_id
    assert (card_return["extent"], card_return["lacking"], card_return["scope"]) == ("as_prepared", 0, "VS-1")

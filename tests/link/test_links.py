"""What bad links do to a push, through real service and store behind links that break."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.client.traffic import Meter, Pace
from agent.errors import LinkDown
from agent.hours import Allowance, Hours
from agent.sync import push
from agent.sync.progress import PushProgress, read_note
from agent.sync.waiting import LONGEST_PROBE, LONGEST_WAIT, ServerReach, Waits
from tests.link.far import Far, picture

WAIT = 60.0


@contextmanager
def running(far: Far) -> Iterator[None]:
    """`run` at work, stopped as a person does it."""
    process = far.agent("run", SIGHTLEDGER_AGENT_MEDIA_ROOTS="")
    try:
        yield
    finally:
        process.send_signal(signal.SIGINT)
        out, _ = process.communicate(timeout=WAIT)
        assert process.returncode == 0, out


def until_held(far: Far, return_id: Any, seconds: float = WAIT) -> None:
    end = time.monotonic() + seconds
    while far.state_of(return_id) != "held":
        assert time.monotonic() < end, "no receipt came"
        time.sleep(0.1)


def test_p18_the_same_card_again_sends_no_byte_to_the_store(far: Far) -> None:
    with far.pusher() as pusher:
        pusher.push(far.read(5))
        before = far.to_store.up, far.to_store.connections
        again = far.read(0)
        pusher.push(again)
    assert (far.to_store.up, far.to_store.connections) == before
    assert far.to_service.count("PUT", f"{again}/parts/1") == 1
    assert far.rows(again) == (5, 5, 1)


def test_p20_a_store_that_says_503_for_long_loses_nothing_and_needs_nobody(far: Far) -> None:
    far.to_store.faults.busy = True
    return_id = far.read(6)
    with running(far):
        end = time.monotonic() + 6
        while time.monotonic() < end:
            assert far.state_of(return_id) == "copied"
            time.sleep(0.5)
        asked = far.to_store.count("PUT")
        assert asked > 0
        far.to_store.faults.busy = False
        until_held(far, return_id)
    assert far.rows(return_id) == (6, 6, 1)


def test_p20_a_service_that_says_503_for_long_loses_nothing_either(far: Far) -> None:
    far.to_service.faults.busy = True
    return_id = far.read(3)
    with running(far):
        time.sleep(5)
        assert far.state_of(return_id) == "copied"
        far.to_service.faults.busy = False
        until_held(far, return_id)
    assert far.rows(return_id) == (3, 3, 1)


# So that a minute of the agent's passes in a quarter of one.
FASTER = 4.0


@pytest.mark.parametrize("place", ["to_service", "to_store"])
def test_p21_no_wait_on_service_or_store_lasts_longer_than_a_minute_at_the_longest_setting(
    far: Far, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    return_id = far.read(1)
    monkeypatch.setenv("SIGHTLEDGER_AGENT_TIMEOUT", "60")
    monkeypatch.setattr("agent.client.store.SILENCES", 1)
    monkeypatch.setattr("agent.clock._CLOCK", None)
    monkeypatch.setattr("agent.clock.time", SimpleNamespace(monotonic=lambda: FASTER * time.monotonic()))
    getattr(far, place).faults.swallow = True
    with far.pusher() as pusher:
        begun = time.monotonic()
        with pytest.raises(LinkDown):
            pusher.push(return_id)
        waited = FASTER * (time.monotonic() - begun)
    assert 10 < waited <= 60
    assert far.state_of(return_id) == "copied"


@pytest.mark.parametrize("way", ["stall", "swallow"])
@pytest.mark.parametrize("place", ["to_service", "to_store"])
def test_p21_a_silent_hang_is_cut_and_said(far: Far, way: str, place: str) -> None:
    return_id = far.read(2)
    link = getattr(far, place)
    setattr(link.faults, way, True)
    with far.pusher() as pusher, pytest.raises(LinkDown):
        pusher.push(return_id)
    assert far.state_of(return_id) == "copied"
    setattr(link.faults, way, False)
    link.reset_all()
    with far.pusher() as pusher:
        pusher.push(return_id)
    assert far.rows(return_id) == (2, 2, 1)


@pytest.mark.parametrize("break_it", ["reset_all", "half_open_all", "half_close_all"])
def test_p22_a_broken_connection_does_not_end_the_push(far: Far, break_it: str) -> None:
    return_id = far.read(30, size=12_000)
    done = threading.Event()

    def breaking() -> None:
        while not done.wait(0.15):
            getattr(far.to_store, break_it)()

    far.to_store.faults.up_rate = 200_000
    breaker = threading.Thread(target=breaking)
    with running(far):
        breaker.start()
        time.sleep(2)
        done.set()
        breaker.join()
        until_held(far, return_id)
    assert far.rows(return_id) == (30, 30, 1)


def test_p22_a_link_that_was_gone_is_used_as_soon_as_it_is_back(far: Far) -> None:
    far.to_service.faults.refuse = True
    far.to_service.reset_all()
    return_id = far.read(2)
    with running(far):
        time.sleep(4)
        assert far.state_of(return_id) == "copied"
        far.to_service.faults.refuse = False
        until_held(far, return_id, LONGEST_PROBE + 10)


def test_p23_the_last_answer_lost_the_push_gives_the_receipt_that_was_signed(far: Far) -> None:
    return_id = far.read(3)
    far.to_service.faults.drop_answer_to = b"/commit"
    with far.pusher() as pusher:
        receipt = pusher.push(return_id)
    assert receipt.card_return_id == return_id
    assert far.to_service.faults.drop_answer_to is None
    assert far.to_service.count("POST", f"{return_id}/commit") == 2
    assert far.rows(return_id) == (3, 3, 1)


def test_p24_a_jump_of_the_clock_delays_nothing_beyond_the_longest_wait() -> None:
    steady, wall = [1000.0], [1_700_000_000.0]
    waits = Waits(lambda: steady[0], lambda: wall[0])
    assert not waits.due("a", wall[0] + 20)
    for jump in (-7200, 86400 * 365, -86400 * 365 * 2):
        wall[0] += jump
        assert not waits.due("a", 1_700_000_020.0), "a jump is no time that passed"
    steady[0] += 20
    assert waits.due("a", 1_700_000_020.0)
    # What an earlier run left behind, written by a clock a year ahead.
    assert not waits.due("b", wall[0] + 86400 * 365)
    steady[0] += LONGEST_WAIT
    assert waits.due("b", wall[0] + 86400 * 365)


@given(st.lists(st.booleans(), max_size=60))
def test_p22_p24_while_the_link_is_down_it_is_asked_after_at_most_fifteen_seconds(tries: list[bool]) -> None:
    at = [0.0]
    reach = ServerReach(lambda: at[0])
    for moved in tries:
        reach.lost(moved)
        assert not reach.due()
        at[0] += LONGEST_PROBE
        assert reach.due()
    reach.serves()
    assert reach.due()
    assert not reach.down


def test_p25_a_limit_holds_over_hours_and_saves_nothing_up() -> None:
    at, slept = [0.0], [0.0]

    def sleep(seconds: float) -> None:
        slept[0] += seconds
        at[0] += seconds

    pace = Pace(lambda: 10_000.0, lambda: at[0], sleep)
    passed = 0
    for turn in range(20_000):
        if turn == 10_000:
            at[0] += 3600
            begun, counted = at[0], passed
        pace.take(4096)
        passed += 4096
    assert counted == pytest.approx(10_000.0 * (begun - 3600), rel=0.001)
    # The idle hour gives no burst.
    assert passed - counted <= 10_000.0 * (at[0] - begun) + 4096
    assert passed == pytest.approx(10_000.0 * (at[0] - 3600), rel=0.001)


def test_p25_a_limited_push_takes_the_time_its_bytes_need_and_says_what_is_left(
    far: Far, monkeypatch: pytest.MonkeyPatch
) -> None:
    return_id = far.read(8, size=60_000)
    monkeypatch.setenv("SIGHTLEDGER_AGENT_BANDWIDTH", "100000")
    monkeypatch.setattr(push, "NOTE_EVERY", 0.3)
    looks: list[tuple[float, PushProgress]] = []
    before = far.to_store.up + far.to_service.up
    with far.pusher() as pusher:
        # What another process is told is the same.
        pusher.show = lambda shown: (
            looks.append((time.monotonic(), shown)) if read_note(far.state.pushing) == shown else None
        )
        begun = time.monotonic()
        pusher.push(return_id)
        ended = time.monotonic()
    # Heads are not counted by the limit, bodies are.
    assert (far.to_store.up + far.to_service.up - before) / (ended - begun) <= 115_000
    assert (looks[-1][1].sent, looks[-1][1].held, looks[-1][1].left) == (8, 0, 0)
    assert looks[0][1].rate is None
    assert looks[0][1].seconds is None
    assert read_note(far.state.pushing) is None
    told = [(at, look.seconds) for at, look in looks if look.seconds]
    assert told, "no time left was ever told"
    for at, seconds in told:
        assert seconds == pytest.approx(ended - at, abs=1.2)


ZONE = ZoneInfo("Europe/Dublin")


@given(st.integers(0, 10**9), st.integers(1, 10**6), st.integers(0, 7 * 24 * 60))
def test_p25_the_time_left_knows_of_hours_and_limit(size: int, rate: int, minute: int) -> None:
    at = datetime(2026, 3, 2, tzinfo=UTC) + timedelta(minutes=minute)
    allowance = Allowance(50_000.0, Hours(["18:00-06:00"], ZONE), Hours(["12:00-08:00"], ZONE))
    seconds = allowance.time_left(size, rate, at)
    least = size / rate
    if seconds is None:
        assert size / min(rate, 50_000) > 7 * 24 * 3600
    else:
        assert seconds >= least - 60


def test_p25_in_quiet_hours_a_card_is_read_but_no_picture_goes(far: Far) -> None:
    for number in range(2):
        far.put(f"01 A/TWVS{number:04}.JPG", picture(0))
    at = datetime.now(ZoneInfo("Europe/Dublin"))
    spans = [f"{at + timedelta(hours=2):%H:%M}-{at + timedelta(hours=3):%H:%M}", f"{at:%H:%M}-{at:%H:%M}"]
    before = far.to_store.connections
    reading = far.agent("read", str(far.card), "--push", SIGHTLEDGER_AGENT_PUSH_HOURS=spans[0])
    said, _ = reading.communicate(timeout=WAIT)
    assert reading.returncode == LinkDown.exit_code
    assert "outside the hours in which pictures may go" in said
    assert "copied here - the card may be removed, not yet wiped" in said
    once = far.agent("run", "--once", SIGHTLEDGER_AGENT_MEDIA_ROOTS="", SIGHTLEDGER_AGENT_PUSH_HOURS=spans[0])
    said, _ = once.communicate(timeout=WAIT)
    assert once.returncode == 0, said
    assert far.to_store.connections == before
    again = far.agent(
        "run", "--once", SIGHTLEDGER_AGENT_MEDIA_ROOTS="", SIGHTLEDGER_AGENT_PUSH_HOURS=spans[1]
    )
    said, _ = again.communicate(timeout=WAIT)
    assert again.returncode == 0, said
    assert "held centrally - receipt" in said


def test_p25_the_hours_are_those_of_the_site() -> None:
    allowance = Allowance(0.0, Hours([], ZONE), Hours(["22:00-05:00"], ZONE))
    # Summer time at the site: 21:30 UTC is 22:30 there.
    assert allowance.open(datetime(2026, 7, 1, 21, 30, tzinfo=UTC))
    assert not allowance.open(datetime(2026, 1, 1, 21, 30, tzinfo=UTC))


def test_p25_a_rate_is_not_told_before_it_is_known() -> None:
    at = [0.0]
    meter = Meter(lambda: at[0])
    assert meter.rate() is None
    meter.begin()
    meter.note(5000)
    assert meter.rate() is None
    at[0] += 10
    meter.note(5000)
    assert meter.rate() == pytest.approx(1000, rel=0.1)


def test_p27_a_bit_flipped_on_the_wire_is_refused_by_the_store_and_the_file_goes_again(far: Far) -> None:
    return_id = far.read(2, size=60_000)
    far.to_store.faults.flip_from = 2000
    with far.pusher() as pusher:
        try:
            pusher.push(return_id)
        except LinkDown:
            pusher.push(return_id)
    assert far.to_store.faults.flip_from is None
    assert far.rows(return_id) == (2, 2, 1)

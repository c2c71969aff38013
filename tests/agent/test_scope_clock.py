"""What can be said of a scope's clock, and that nothing more is said."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.cards.clocks import BY_HAND, least_offset, local, moment, offset_text
from seed.picture_files import ExifFacts, with_exif
from tests.agent.station import Bench, jpeg, put

ROOT = Path(__file__).parents[2]
PREPARED = datetime(2026, 10, 20, 8)  # noqa: DTZ001
READ = PREPARED + timedelta(hours=9)


@given(
    st.lists(st.integers(0, 9 * 60), min_size=1, max_size=20),
    st.integers(-400 * 24 * 60, 400 * 24 * 60),
)
def test_p26_a_stated_offset_is_never_more_than_the_true_one(minutes: list[int], off: int) -> None:
    shift = timedelta(minutes=off)
    taken = [PREPARED + timedelta(minutes=one) + shift for one in minutes]
    found = least_offset(taken, PREPARED, READ)
    if found is None:
        # Then some picture of the shifted clock could have been taken with a true one.
        assert abs(shift) <= READ - PREPARED + BY_HAND
    else:
        assert abs(found) <= abs(shift)
        assert (found > timedelta(0)) == (off > 0)


def test_p26_pictures_of_different_clocks_say_nothing() -> None:
    assert least_offset([PREPARED - timedelta(days=400), READ + timedelta(days=2)], PREPARED, READ) is None
    assert least_offset([], PREPARED, READ) is None
    assert moment("0000:00:00 00:00:00") is None
    assert moment(None) is None


def test_the_words_for_an_offset() -> None:
    assert offset_text(timedelta(hours=2)) == "the scope's clock seems at least 2 h ahead"
    assert offset_text(timedelta(minutes=-61)) == "the scope's clock seems at least 61 min behind"
    assert offset_text(timedelta(days=-365)) == "the scope's clock seems at least 365 days behind"


def test_the_wall_clock_is_that_of_the_site() -> None:
    assert local(datetime(2026, 7, 1, 12, tzinfo=UTC), ZoneInfo("Europe/Dublin")).hour == 13


@pytest.mark.parametrize(("days", "words"), [(-365, "365 days behind"), (0, None), (400, "400 days ahead")])
def test_p26_reading_a_card_tells_the_offset_of_the_scope(bench: Bench, days: int, words: str | None) -> None:
    marker = bench.prepare()
    taken = marker.prepared_at.replace(tzinfo=None) + timedelta(days=days)
    folder = next(iter(marker.folders))
    for number in range(3):
        facts = ExifFacts("VS-1", taken + timedelta(seconds=number), f"{number:032x}")
        put(bench.card, f"{folder}/TWVS{number:04}.JPG", with_exif(jpeg(number), facts))
    state = str(bench.station.state.folder)
    command = [sys.executable, "-m", "agent", "--state", state, "read", str(bench.card), "--no-push"]
    run = subprocess.run(command, capture_output=True, text=True, cwd=ROOT)
    assert run.returncode == 0, run.stdout + run.stderr
    assert ("scope's clock" in run.stdout) == (words is not None), run.stdout
    assert (words or "") in run.stdout

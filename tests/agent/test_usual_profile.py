"""Which profile a card goes by where nobody names one, and that only a site's own asks for list files."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from agent.cards.identifying import profile_to_prepare
from agent.cards.marker import MARKER_NAME
from agent.errors import AgentError
from agent.profiles.schema import SHIPPED, decode_profile
from tests.agent.station import Bench, jpeg, put
from tests.agent.test_profiles import with_lists


def site_has(bench: Bench, profile: str | None) -> None:
    """What a pull brings of a site with this profile."""
    worklist = bench.station.cache.worklist()
    assert worklist is not None
    changed = msgspec.structs.replace(worklist, card_profile=profile)
    bench.station.cache.keep("worklist", msgspec.json.encode(changed))


def workstation_has(bench: Bench, profile: str) -> None:
    (bench.station.state.folder / "agent.toml").write_text(f'profile = "{profile}"\n', "utf-8")


def usual(bench: Bench, named: str | None = None) -> str:
    return profile_to_prepare(bench.station.state, bench.station.cache, named).code


def test_the_nearer_word_wins_and_without_any_it_is_the_deeper_tree(bench: Bench) -> None:
    assert usual(bench) == "deep"
    site_has(bench, "flat-slate")
    assert usual(bench) == "flat-slate"
    workstation_has(bench, "two-level")
    assert usual(bench) == "two-level"
    assert usual(bench, "flat-dcf") == "flat-dcf"


def test_a_profile_of_the_site_is_found_in_the_state_folder(bench: Bench) -> None:
    site_has(bench, "ours")
    bench.station.state.profiles.joinpath("ours.toml").write_bytes(with_lists("deep", "ours"))
    assert usual(bench) == "ours"


def test_a_profile_of_the_site_that_is_not_here_prepares_nothing_and_says_where_to_put_it(
    bench: Bench,
) -> None:
    site_has(bench, "ours")
    with pytest.raises(AgentError, match="no card profile ours on this workstation") as refused:
        usual(bench)
    assert str(bench.station.state.profiles / "ours.toml") in refused.value.text()


@pytest.mark.parametrize("site", [None, "deep", "ours"])
def test_an_unmarked_card_is_read_whatever_profile_the_site_has(bench: Bench, site: str | None) -> None:
    site_has(bench, site)
    put(bench.card, "any/A.JPG", jpeg(1))
    assert set(bench.files(bench.read())) == {"any/A.JPG"}


def test_an_unmarked_card_of_a_picked_unit_is_placed_by_the_profile_of_the_site(bench: Bench) -> None:
    put(bench.card, "02 G.RING/A.JPG", jpeg(1))
    for site, place in ((None, None), ("two-level", "G.RING")):
        site_has(bench, site)
        claim = bench.files(bench.read(unit="U-100"))["02 G.RING/A.JPG"].placement
        assert claim is not None
        assert claim.location_key == place


def test_a_profile_that_a_person_names_and_that_is_not_here_is_never_replaced(bench: Bench) -> None:
    put(bench.card, "A.JPG", jpeg(1))
    with pytest.raises(AgentError, match="no card profile ours"):
        bench.read(profile="ours")


@pytest.mark.parametrize("profile", SHIPPED)
def test_a_shipped_profile_writes_no_list_file(bench: Bench, profile: str) -> None:
    marker = bench.prepare(profile)
    sheets = {"SIGHTLEDGER-JOB.txt", "SIGHTLEDGER-JOB.html"}
    if profile == "flat-slate":
        sheets |= {"SIGHTLEDGER-JOB.pdf", "SIGHTLEDGER-SLATES.html"}
    assert files_on(bench.card) == {MARKER_NAME, *sheets}
    assert set(marker.own_files) == sheets


def test_list_files_of_a_sites_profile_have_names_of_ours_and_are_not_read_back(
    bench: Bench, tmp_path: Path
) -> None:
    file = tmp_path / "ours.toml"
    file.write_bytes(with_lists("deep", "ours"))
    assert decode_profile(file.read_bytes(), "ours").lists
    marker = bench.prepare(str(file))
    lists = {"SIGHTLEDGER-LOCATIONS.txt", "SIGHTLEDGER-CONDITIONS.txt"}
    assert lists <= files_on(bench.card)
    assert lists <= set(marker.own_files)
    assert bench.files(bench.read()) == {}
    # Preparing by another profile takes them away again.
    bench.prepare("deep")
    assert not lists & files_on(bench.card)


def files_on(card: Path) -> set[str]:
    return {path.relative_to(card).as_posix() for path in card.rglob("*") if path.is_file()}

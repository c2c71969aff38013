"""The invented fleet agrees with itself, and its gearing with the arithmetic of real gearboxes."""

from __future__ import annotations

import json
from collections import Counter
from fractions import Fraction
from importlib.resources import files
from zoneinfo import ZoneInfo

import pytest

from seed.scenario import Scenario, check_letter, load_scenario


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return load_scenario()


def teeth(scenario: Scenario, key: str) -> int:
    element = scenario.location(key).element
    assert element is not None
    assert element.kind == "tooth"
    return element.count


def test_the_file_says_at_its_top_that_it_is_invented() -> None:
    raw = files("seed").joinpath("scenario.json").read_text(encoding="utf-8")
    assert next(iter(json.loads(raw))) == "invented"
    assert "INVENTED" in load_scenario().invented


# Textbook conditions of a simple planetary stage (common practice, from memory): for unshifted gears
# ring = sun + 2 planets; equally spaced planets assemble when sun + ring divides by their number;
# the ratio from carrier to sun with the ring held is 1 + ring/sun.
def test_planetary_stage_assembles_and_has_its_ratio(scenario: Scenario) -> None:
    sun, ring = teeth(scenario, "KG.1.SUN"), teeth(scenario, "KG.1.RING")
    planets = [teeth(scenario, f"KG.1.PL{number}") for number in (1, 2, 3)]
    assert [sun + 2 * planet for planet in planets] == [ring] * 3 == [102] * 3
    assert Fraction(sun + ring, len(planets)) == 42
    assert 1 + Fraction(ring, sun) == Fraction(21, 4)


def test_overall_ratio_of_the_gearbox(scenario: Scenario) -> None:
    first = 1 + Fraction(teeth(scenario, "KG.1.RING"), teeth(scenario, "KG.1.SUN"))
    second = Fraction(teeth(scenario, "KG.2.WHL"), teeth(scenario, "KG.2.PIN"))
    third = Fraction(teeth(scenario, "KG.3.WHL"), teeth(scenario, "KG.3.PIN"))
    assert float(first * second * third) == pytest.approx(85.8, abs=0.05)


def test_the_same_arithmetic_gives_the_published_ratios_of_a_real_reference_gearbox() -> None:
    """NREL 5 MW reference gearbox, Nejad et al. 2016, Wind Energy, doi:10.1002/we.1884.

    Teeth counts as coded in gfsReboucas/Drivetrain, @NREL_5MW/NREL_5MW.m (seen). The published ratios
    3.947, 6.167, 3.958 and 96.354 are from memory.
    """
    stages = [(19, 17, 56), (18, 36, 93)]
    ratios = [1 + Fraction(ring, sun) for sun, _, ring in stages] + [Fraction(95, 24)]
    assert [float(ratio) for ratio in ratios] == pytest.approx([3.947, 6.167, 3.958], abs=0.0005)
    assert float(ratios[0] * ratios[1] * ratios[2]) == pytest.approx(96.354, abs=0.005)
    assert [(sun + ring) % 3 for sun, _, ring in stages] == [0, 0]
    # The real gears have shifted profiles (same file), so their rings have a few teeth more than unshifted.
    assert [ring - sun - 2 * planet for sun, planet, ring in stages] == [3, 3]


def test_pictures_and_locations_per_build_equal_the_stated_counts(scenario: Scenario) -> None:
    for count in scenario.counts_per_build:
        locations = scenario.locations_for(count.build)
        assert len(locations) == count.locations, count.build
        assert sum(loc.pictures_required for loc in locations) == count.pictures, count.build
    units = Counter(unit.build for unit in scenario.units)
    assert units == {count.build: count.units for count in scenario.counts_per_build}
    total = sum(count.pictures * count.units for count in scenario.counts_per_build)
    assert total == scenario.fleet_pictures_one_campaign == 11449


def test_every_required_count_follows_from_its_elements(scenario: Scenario) -> None:
    for loc in scenario.locations:
        groups = 1 if loc.element is None else -(-loc.element.count // loc.element.per_picture)
        assert groups * loc.views_per_group == loc.pictures_required, loc.key


def test_names_point_at_things_that_exist(scenario: Scenario) -> None:
    sites = {site.code: site for site in scenario.sites}
    types = {kind.code: kind for kind in scenario.types}
    for unit in scenario.units:
        assert unit.site in sites
        assert unit.build in {build.code for build in types[unit.type].builds}
    assert Counter(unit.site for unit in scenario.units) == {code: site.units for code, site in sites.items()}
    for site in scenario.sites:
        ZoneInfo(site.time_zone)
    assert {scope.site for scope in scenario.scopes} == set(sites)
    assert len({loc.key for loc in scenario.locations}) == len(scenario.locations)


def test_every_port_exists_on_every_build_that_a_location_is_seen_through(scenario: Scenario) -> None:
    ports = {(kind.code, port.code): set(port.builds) for kind in scenario.types for port in kind.ports}
    for loc in scenario.locations:
        if loc.port is not None:
            assert set(loc.builds) <= ports[loc.type, loc.port], loc.key


def test_check_letter_fits_every_serial_and_tells_swapped_digits(scenario: Scenario) -> None:
    for unit in scenario.units:
        stem, _, letter = unit.serial.rpartition("-")
        assert check_letter(stem) == letter
        for at in range(len(stem) - 1):
            swapped = stem[:at] + stem[at + 1] + stem[at] + stem[at + 2 :]
            assert swapped == stem or check_letter(swapped) != letter, (stem, swapped)


def test_every_condition_is_in_the_vocabulary(scenario: Scenario) -> None:
    vocabulary = json.loads(files("service.plans").joinpath("vocab.json").read_text(encoding="utf-8"))
    known = {f"{terms['id']}:{term['code']}" for terms in vocabulary["lists"] for term in terms["terms"]}
    used = {code for codes in scenario.condition_sets.values() for code in codes}
    used |= {limit.condition for limits in scenario.limit_sets.values() for limit in limits.limits}
    assert used <= known, used - known

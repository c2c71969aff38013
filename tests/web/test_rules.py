"""What pages say, as pure rules."""

from __future__ import annotations

import unicodedata
from datetime import UTC, date, datetime
from urllib.parse import urljoin, urlsplit
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from service.campaigns.rules import COLUMN_OF, COLUMNS
from service.contract.campaigns import CompletionRow, Counted, LocationDetail, StatementOut
from service.contract.showing import plain, size_words
from service.contract.wire import new_id
from service.web import rendering, rules

numbers = st.integers(min_value=0, max_value=10**6)


@st.composite
def counts(draw: st.DrawFn) -> Counted:
    held = {name: draw(numbers) for name in COLUMNS}
    held["locations"] = sum(held[name] for name in COLUMN_OF.values())
    return rules.total([Counted(**held, share_complete=None, share_answered=None, share_pictures=None)])


@given(counts())
def test_a_bar_holds_every_location_once_and_nothing_else(held: Counted) -> None:
    made = rules.parts(held)
    assert sum(part.number for part in made) == held.locations
    assert {part.name for part in made} == {name for name, _ in rules.PARTS if getattr(held, name)}
    start = 0.0
    for part in made:
        assert part.start == pytest.approx(start, abs=0.01)
        start += part.width
    assert start == pytest.approx(100 if held.locations else 0, abs=0.01)
    for part in made:
        assert f"{part.number} {part.words}" in rules.in_words(held)


def test_every_state_that_counts_has_a_stretch_of_its_own() -> None:
    assert {name for name, _ in rules.PARTS} == set(COLUMN_OF.values())
    assert len({words for _, words in rules.PARTS}) == len(rules.PARTS)
    assert len(set(rules.STATES.values())) == len(rules.STATES)


@given(counts())
def test_no_data_is_never_said_where_something_is_known(held: Counted) -> None:
    known = held.pictures_held or held.locations != held.no_statement
    assert rules.silent(held) == (not known)
    assert (rules.inspection_words(held, 0) == "no data yet") == (not known)


@given(counts(), st.integers(1, 5000))
def test_i11_no_data_is_never_said_beside_pictures_that_count_nowhere(held: Counted, number: int) -> None:
    assert "no data" not in rules.inspection_words(held, number)
    if rules.silent(held):
        assert str(number) in rules.inspection_words(held, number)


@given(st.lists(st.tuples(counts(), st.sampled_from(["AAA", "BBB", "CCC"])), max_size=8))
def test_sites_add_up_to_the_whole(held: list[tuple[Counted, str]]) -> None:
    rows = [
        CompletionRow(
            **{name: getattr(one, name) for name in Counted.__struct_fields__},
            campaign_id=new_id(),
            campaign="Autumn",
            closed=False,
            site=site,
            equipment_type="KG3",
        )
        for one, site in held
    ]
    groups = rules.by_site(rows)
    assert [group.site for group in groups] == sorted({site for _, site in held})
    assert rules.total([group.total for group in groups]) == rules.total(rows)


@given(st.integers(min_value=1, max_value=10**7), st.data())
def test_only_all_is_a_hundred_per_cent(whole: int, data: st.DataObject) -> None:
    part = data.draw(st.integers(min_value=0, max_value=whole))
    assert (rendering._per_cent(part / whole) == "100.0 %") == (part == whole)


def test_no_locations_have_no_share() -> None:
    assert rendering._per_cent(None) == "no data"


@given(st.text(max_size=60))
@example("//a.example/x")
@example("/\\a.example")
@example("/\t/a.example")
@example("https:a.example")
@example("/sign-in?next=/")
def test_no_redirect_leaves_the_service(wanted: str) -> None:
    kept = rules.local_path(wanted)
    assert kept.startswith("/")
    # Browsers read a backslash as a slash and drop tabs and line ends (WHATWG URL 4.4).
    as_read = kept.replace("\\", "/").translate({9: None, 10: None, 13: None})
    assert urlsplit(urljoin("http://service.test/sign-in", as_read)).netloc == "service.test"


@pytest.mark.parametrize(
    "path", ["/", "/units/KG30401-E", "/units?find=a%2Fb&after=c", "/campaigns/1?site=SKB"]
)
def test_own_paths_are_kept(path: str) -> None:
    assert rules.local_path(path) == path


@given(st.text(max_size=80))
def test_shown_text_hides_and_reorders_nothing(name: str) -> None:
    shown = plain(name)
    assert not any(unicodedata.category(char) in ("Cc", "Cf", "Cs", "Zl", "Zp") for char in shown)
    assume(not any(unicodedata.category(char) in ("Cc", "Cf", "Cs", "Zl", "Zp") for char in name))
    assert shown == name


def test_a_moment_is_told_in_the_sites_zone() -> None:
    at = datetime(2026, 7, 1, 22, 30, 5, tzinfo=UTC)
    assert rules.moment_words(at, ZoneInfo("Europe/Madrid")) == "2 Jul 2026 00:30:05 CEST"
    assert rules.moment_words(at, ZoneInfo("America/Chicago")) == "1 Jul 2026 17:30:05 CDT"
    # Zones without a name of their own are told by their offset.
    assert rules.moment_words(at, ZoneInfo("Asia/Dubai")) == "2 Jul 2026 02:30:05 UTC+0400"
    assert rules.utc_words(at) == "2026-07-01 22:30:05 UTC"


def test_a_day_is_the_sites_calendar_day() -> None:
    madrid = ZoneInfo("Europe/Madrid")
    # The day summer time ends there has 25 hours.
    assert rules.start_of(date(2026, 10, 25), madrid) == datetime(2026, 10, 24, 22, tzinfo=UTC)
    assert rules.end_of(date(2026, 10, 25), madrid) == datetime(2026, 10, 25, 23, tzinfo=UTC)


def test_an_unknown_zone_is_utc() -> None:
    for name in (None, "", "Nowhere/At_All", "../etc/passwd"):
        assert rules.zone_of(name).key == "UTC"


def test_terms_are_worded_as_their_list_words_them() -> None:
    assert rules.term_words("not_inspected_reason:port_seized") == "access port cannot be opened"
    assert rules.term_words("no_list:some_code") == "some code"


@pytest.mark.parametrize(
    ("size", "words"),
    [(0, "0 B"), (999, "999 B"), (57_758, "57.8 kB"), (2_500_000, "2.5 MB"), (10**9, "1.0 GB")],
)
def test_sizes(size: int, words: str) -> None:
    assert size_words(size) == words


def location(
    state: str, pictures_held: int = 0, heads: tuple[UUID, ...] = (), pictures_uncounted: int = 0
) -> LocationDetail:
    return LocationDetail(
        key="G.1",
        name="Sun gear",
        bound=True,
        mandatory=True,
        state=state,  # type: ignore[arg-type]
        pictures_required=2,
        pictures_held=pictures_held,
        pictures_uncounted=pictures_uncounted,
        pictures_elsewhere=0,
        heads=list(heads),
    )


def test_i11_not_applicable_not_inspected_and_no_data_are_told_in_words_of_their_own() -> None:
    told = [
        rules.shown_location(location(state, held), {}, "E").words
        for state, held in (
            ("not_applicable", 0), ("not_inspected", 0), ("no_statement", 0), ("no_statement", 1),
            ("complete", 0),
        )
    ]  # fmt: skip
    assert len(set(told)) == len(told)
    assert told[0] == "not applicable to build E"
    assert told[2].startswith("no data")


def test_i4_every_statement_that_stands_is_shown_and_one_not_held_is_passed_over() -> None:
    first, second, elsewhere = new_id(), new_id(), new_id()
    held: dict[object, StatementOut] = {key: said(key) for key in (first, second)}
    shown = rules.shown_location(location("conflict", heads=(first, second, elsewhere)), held, "E")
    assert [head.id for head in shown.heads] == [first, second]
    assert shown.words == "in conflict"


def said(key: UUID) -> StatementOut:
    return StatementOut(
        id=key, kind="complete", locations=["G.1"], replaces=[], reason=None, note=None, stated_by="A",
        stated_at=None, account="A", agent=None, card_return_id=None,
        recorded_at=datetime(2026, 9, 1, tzinfo=UTC), stands_for=["G.1"],
    )  # fmt: skip


def test_a_day_is_written_without_a_leading_nought() -> None:
    assert rules.day_words(date(2026, 9, 1)) == "1 Sep 2026"


def test_no_applicable_location_is_said_so() -> None:
    nothing = rules.total([])
    assert rules.in_words(nothing) == "no applicable location"
    assert (nothing.share_complete, nothing.share_answered) == (None, None)


def test_what_an_event_says_is_words_on_one_line_each() -> None:
    detail = {
        "sites": None,
        "roles": ["auditor", "manager"],
        "no_roles": [],
        "single_sign_on": {"issuer": "https://login.example.org", "since": None},
    }
    assert rules.detail_words(detail) == [
        ("sites", "every site"),
        ("roles", "auditor, manager"),
        ("no roles", "none"),
        ("single sign on", "issuer: https://login.example.org; since: none"),
    ]
    assert rules.detail_words(None) == []
    assert rules.event_words("sign_in_refused") == "sign in refused"


def test_a_digest_is_told_from_other_words() -> None:
    assert rules.is_digest("ab" * 32)
    assert not rules.is_digest("ab" * 31)
    assert not rules.is_digest("AB" * 32)

"""What a person says with a card: looked up in what was pulled before a byte is read, in one voice."""

from __future__ import annotations

from uuid import UUID

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from agent.cards.identifying import identify
from agent.cards.stating import Given
from agent.errors import AgentError
from service.contract.cards import CardPrepared
from service.contract.wire import new_id
from service.contract.work import StatementIn
from tests.agent.station import Bench, jpeg, put

BLOCKED = "not_inspected_reason:blocked"


def said_of(bench: Bench, return_id: UUID) -> list[StatementIn]:
    return bench.station.outbox.statements.of(return_id)


def keep_people(bench: Bench, people: list[str]) -> None:
    worklist = bench.station.cache.worklist()
    assert worklist is not None
    changed = msgspec.structs.replace(worklist, people=people)
    bench.station.cache.keep("worklist", msgspec.json.encode(changed))


def test_i4_statements_name_the_heads_that_this_workstation_knows(bench: Bench) -> None:
    bench.prepare()
    return_id = bench.read(complete=["02 g.ring"], not_inspected=[f"G.ID={BLOCKED}"], person="A. Person")
    by_kind = {one.kind: one for one in said_of(bench, return_id)}
    assert by_kind["complete"].locations == ["G.RING"]
    assert by_kind["complete"].replaces == [bench.head]
    assert by_kind["not_inspected"].locations == ["G.ID"]
    assert by_kind["not_inspected"].reason == BLOCKED
    assert {one.stated_by for one in by_kind.values()} == {"A. Person"}


def test_all_complete_is_one_statement_over_every_location(bench: Bench) -> None:
    bench.prepare()
    [said] = said_of(bench, bench.read(complete_all=True, person="B. Other"))
    assert (said.locations, said.replaces, said.stated_by) == (None, [bench.head], "B. Other")


@pytest.mark.parametrize("typed", ["a. person", "  A.   Person "])
def test_the_name_is_that_of_the_site_however_it_is_typed(bench: Bench, typed: str) -> None:
    bench.prepare()
    [said] = said_of(bench, bench.read(complete=["G.ID"], person=typed))
    assert said.stated_by == "A. Person"


@pytest.mark.parametrize("typed", ["blocked", BLOCKED, " blocked "])
def test_a_reason_may_be_given_by_its_code(bench: Bench, typed: str) -> None:
    bench.prepare()
    [said] = said_of(bench, bench.read(not_inspected=[f"G.ID={typed}"], person="A. Person"))
    assert said.reason == BLOCKED


WRONG = {
    "no such location": ({"complete": ["NOWHERE"]}, "no location 'NOWHERE'"),
    "no reason": ({"not_inspected": ["G.ID"]}, "gives no reason"),
    "a reason of one's own": ({"not_inspected": ["G.ID=no access"]}, "Give one of these"),
    "a term of another list": (
        {"not_inspected": ["G.ID=gear_damage_2022:macropitting"]}, "is no reason of the list"),
    "two reasons": ({"not_inspected": ["G.ID=blocked", "G.ID=port_seized"]}, "two reasons"),
    "complete and not inspected": (
        {"complete": ["G.RING", "G.ID"], "not_inspected": ["01 G.ID=blocked"]}, "G.ID: said to be complete"),
    "all complete and one not inspected": (
        {"complete_all": True, "not_inspected": ["G.ID=blocked"]}, "complete and not inspected at once"),
    "nobody": ({"complete": ["G.ID"], "person": None}, "Give --person: A. Person, B. Other"),
    "somebody else": ({"complete": ["G.ID"], "person": "A. Persen"}, "Give --person: A. Person"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_what_cannot_be_taken_is_refused_before_a_byte_is_read(bench: Bench, name: str) -> None:
    said, told = WRONG[name]
    bench.prepare()
    picture = put(bench.card, "01 G.ID/TWVS0001.JPG", jpeg(1))
    picture.chmod(0)
    with pytest.raises(AgentError) as refusal:
        bench.read(**{"person": "A. Person", **said})  # type: ignore[dict-item]
    assert told in refusal.value.text()
    assert "Nothing was read and nothing was stated." in refusal.value.text()
    assert bench.station.outbox.returns.newest() == []


def test_the_person_of_the_marker_states_nothing_by_being_on_it(bench: Bench) -> None:
    """Who took the card out need not be who reads it in and speaks."""
    bench.prepare()
    with pytest.raises(AgentError, match="needs the name of the person"):
        bench.read(complete=["G.ID"])
    assert bench.read(card=bench.card) is not None


@pytest.mark.parametrize(("name", "told"), [("people", "No people of this site"), ("vocabulary", "reasons")])
def test_what_was_never_pulled_is_said_so(bench: Bench, name: str, told: str) -> None:
    bench.prepare()
    if name == "people":
        keep_people(bench, [])
    else:
        bench.station.cache.keep("vocabulary", b"{}")
    with pytest.raises(AgentError, match=told) as refusal:
        bench.read(not_inspected=["G.ID=blocked"], person="A. Person")
    assert "sightledger-agent run --once" in refusal.value.text()


given_locations = st.lists(st.sampled_from(["G.ID", "G.RING"]), max_size=3)
given_reasons = st.lists(
    st.tuples(st.sampled_from(["G.ID", "G.RING"]), st.sampled_from(["blocked", "port_seized"])), max_size=3
)


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(given_locations, given_reasons, st.booleans())
def test_one_command_never_contradicts_itself(
    bench: Bench, complete: list[str], reasons: list[tuple[str, str]], every: bool
) -> None:
    if not (bench.card / "SIGHTLEDGER-JOB.txt").exists():
        bench.prepare()
    told = Given(
        person="A. Person",
        complete=complete,
        complete_all=every,
        not_inspected=[f"{key}={reason}" for key, reason in reasons],
    )
    station = bench.station
    try:
        made = identify(station.state, station.cache, station.enrolment, bench.card, told).statements
    except AgentError:
        made = None
    left_out = {key for key, _ in reasons}
    clear = len(set(reasons)) == len(left_out) and not (left_out if every else left_out & set(complete))
    assert (made is not None) == clear
    if made is not None:
        by_key: dict[str, set[tuple[str, str | None]]] = {}
        for statement in made:
            for key in statement.locations or ["G.ID", "G.RING"]:
                by_key.setdefault(key, set()).add((statement.kind, statement.reason))
        assert all(len(meant) == 1 for meant in by_key.values())


def test_refused_statements_are_listed_over_all_returns_until_they_are_open_no_more(bench: Bench) -> None:
    bench.prepare()
    outbox = bench.station.outbox
    first = bench.read(complete=["G.ID"], not_inspected=["G.RING=blocked"], person="A. Person")
    put(bench.card, "01 G.ID/TWVS0009.JPG", jpeg(9))
    second = bench.read(complete_all=True, person="B. Other")
    assert outbox.statements.refused() == []
    done, not_done = (
        next(s for s in said_of(bench, first) if s.kind == k) for k in ("complete", "not_inspected")
    )
    [whole] = said_of(bench, second)
    outbox.statements.note_refused(first, {not_done.id: "it was blocked before."})
    outbox.statements.note_refused(second, {whole.id: "two reasons."})
    listed = outbox.statements.refused()
    assert [(one.return_id, one.unit, one.locations, one.why) for one in listed] == [
        (first, "U-100", "G.RING", "it was blocked before."),
        (second, "U-100", "every location", "two reasons."),
    ]
    assert all(word in listed[0].text() for word in ("U-100", "G.RING", "it was blocked before.", str(first)))
    # What is sent stays the same, whatever was refused (I8).
    assert {one.id for one in said_of(bench, first)} == {done.id, not_done.id}
    outbox.statements.note_refused(first, {})
    assert [one.return_id for one in outbox.statements.refused()] == [second]


def test_a_refused_preparation_is_listed_until_it_is_taken_or_its_card_is_back(bench: Bench) -> None:
    outbox, journals = bench.station.outbox, bench.station.outbox.journals
    assert journals is not None
    marker = bench.prepare()
    outbox.preparations.note_refused(marker.card_id, "Site TEST has no such inspection.")
    [refused] = outbox.preparations.refused()
    assert (refused.card_id, refused.why) == (marker.card_id, "Site TEST has no such inspection.")
    assert isinstance(refused.prepared, CardPrepared)
    assert str(marker.card_id) in refused.text()
    assert outbox.preparations.unsent() == []
    # A rebuild of the outbox finds it again.
    assert [card_id for card_id, _ in journals.prepared()] == [marker.card_id]
    put(bench.card, "01 G.ID/TWVS0001.JPG", jpeg(1))
    return_id = bench.read()
    assert len(outbox.preparations.refused()) == 1
    outbox.hold(return_id, b"{}")
    assert outbox.preparations.refused() == []
    assert journals.prepared() == []


def test_a_refused_preparation_ends_when_the_card_is_prepared_anew_or_taken_after_all(bench: Bench) -> None:
    outbox = bench.station.outbox
    first = bench.prepare("deep")
    outbox.preparations.note_refused(first.card_id, "refused")
    second = bench.prepare("two-level")
    assert outbox.preparations.refused() == []
    outbox.preparations.note_refused(second.card_id, "refused")
    outbox.preparations.note_sent(second.card_id)
    assert outbox.preparations.refused() == []
    outbox.preparations.note_refused(new_id(), "of no card here")
    assert outbox.preparations.refused() == []

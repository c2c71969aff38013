"""What a caller may do and where, as pure rules."""

from __future__ import annotations

import pytest

from service.access.rules import ACTS, AGENT_ACTS, Act, Caller, Role
from service.contract.wire import new_id
from service.errors import NotAllowed

ME = new_id()


def person(*roles: Role, sites: frozenset[str] | None = None) -> Caller:
    return Caller(ME, "A. Person", frozenset(roles), sites)


def test_an_act_that_no_role_of_the_caller_allows_is_refused_by_name() -> None:
    with pytest.raises(NotAllowed, match=r"A\. Person may not open or change a campaign") as refusal:
        person(Role.INSPECTOR, Role.AUDITOR).must(Act.RUN_CAMPAIGN)
    assert refusal.value.next_step


def test_a_site_that_is_not_the_callers_is_refused_by_name() -> None:
    manager = person(Role.MANAGER, sites=frozenset({"SKB"}))
    manager.must(Act.RUN_CAMPAIGN, "SKB")
    manager.must(Act.RUN_CAMPAIGN)
    with pytest.raises(NotAllowed, match="no access to site VLR"):
        manager.must(Act.RUN_CAMPAIGN, "VLR")
    person(Role.MANAGER).must(Act.RUN_CAMPAIGN, "VLR")


def test_no_site_is_not_every_site() -> None:
    nowhere = person(Role.AUDITOR, sites=frozenset())
    assert not nowhere.at("SKB")
    assert person(Role.AUDITOR).at("SKB")


def test_roles_add_up_and_none_allows_nothing() -> None:
    both = person(Role.AUTHOR, Role.APPROVER)
    assert {act for act in Act if both.may(act)} == ACTS[Role.AUTHOR] | ACTS[Role.APPROVER]
    assert not any(person().may(act) for act in Act)


def test_an_agent_has_the_acts_of_agents_whatever_roles_it_is_said_to_have() -> None:
    agent = Caller(ME, "bench-1", frozenset({Role.ADMINISTRATOR}), frozenset({"SKB"}), agent=True)
    assert {act for act in Act if agent.may(act)} == AGENT_ACTS
    assert not AGENT_ACTS & {Act.AUTHORISE_OMISSION, Act.MOVE_PICTURE, Act.APPROVE_PLAN, Act.RUN_SITE}


def test_a_caller_is_a_person_or_an_agent_never_both() -> None:
    agent = Caller(ME, "bench-1", frozenset(), frozenset({"SKB"}), agent=True)
    assert (agent.account_id, agent.agent_id) == (None, ME)
    assert (person().account_id, person().agent_id) == (ME, None)


def test_the_roles_are_those_the_quality_office_named() -> None:
    """The list of the order for this product, not a published source."""
    assert set(Role) == {
        "author", "approver", "inspector", "shift_lead", "manager", "engineer", "auditor", "administrator",
    }  # fmt: skip
    assert ACTS.keys() == set(Role)
    # Whoever keeps the accounts has no say in plans, statements or pictures.
    assert ACTS[Role.ADMINISTRATOR] == {Act.READ, Act.RUN_SITE, Act.READ_LOG}

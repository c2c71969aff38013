from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from functools import cache
from typing import Any

import httpx
import msgspec
import pytest

from service.access.rules import Role
from service.contract.plan_document import PlanDocument
from service.contract.wire import new_id
from service.plans import plan_text
from service.plans.difference import difference, difference_text
from service.plans.document import check_bytes, check_text
from service.plans.plan_schema import schema_text
from tests.live_service import Running, make_site
from tests.plans.documents import PLAN, document

# Of the processor, for the worst document that is taken; the machine of a CI run is not fast.
SECONDS = 4.0
SMALL: dict[str, Any] = {
    "name": "n", "component": "c", "view": "v", "pictures": {"required": 1}, "builds": ["X"],
}  # fmt: skip


def _plan(locations: list[dict[str, Any]], **members: Any) -> bytes:
    sections = [
        {"key": f"S{at}", "name": "s", "locations": locations[at : at + 2000]}
        for at in range(0, len(locations), 2000)
    ]
    found = msgspec.to_builtins(document()) | {
        "sections": sections,
        "cautions": [],
        "builds": ["X"],
        **members,
    }
    return json.dumps(found, separators=(",", ":"), default=str).encode()


def _location(number: int, **members: Any) -> dict[str, Any]:
    return SMALL | {"key": f"L{number}", **members}


def _limit(**members: Any) -> dict[str, Any]:
    pit = "gear_damage_2022:macropitting"
    return {"condition": pit, "quantity": "q", "unit": "mm", "accept": 1, "refer": 1, **members}


def _words(text: str) -> bytes:
    words = {"accept": text, "refer": text, "stop": text}
    members = {"limitText": words, "limits": [_limit()], "conditions": ["gear_damage_2022:macropitting"]}
    return _plan([_location(n, **members) for n in range(80)])


def _unknown_conditions() -> bytes:
    found = [[f"gear_damage_2022:{n}x{m}" for m in range(60)] for n in range(500)]
    return _plan([_location(n, conditions=conditions) for n, conditions in enumerate(found)])


def _mixed_list() -> bytes:
    return _plan([_location(1)], builds=[entry for n in range(30_000) for entry in (n, f"b{n}")])


def _long_names() -> bytes:
    return ('{"' + "n" * 300_000 + '": [' + "0," * 60_000 + "0]}").encode()


def _many_builds() -> bytes:
    builds = [f"B{n}" for n in range(100)]
    return _plan([_location(n, builds=builds[n % 7 :]) for n in range(700)], builds=builds)


def _builds_that_are_not_the_plans() -> bytes:
    builds = [f"B{n}" for n in range(30_000)]
    return _plan([_location(n, builds=["Y"]) for n in range(2000)], builds=builds)


def _limits_of_nothing() -> bytes:
    limits = [_limit(condition=f"c:{n}", unit="no") for n in range(3_000)]
    return _plan([_location(1, limits=limits, conditions=[f"c:x{n}" for n in range(20_000)])])


def _big_members() -> bytes:
    return json.dumps({f"m{n}": {"a": ["x"] * 40} for n in range(1_500)}).encode()


def _aliases() -> bytes:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 12)]
    return "\n".join(lines).encode()


DOCUMENTS: dict[str, Callable[[], bytes]] = {
    "ranges without end": lambda: _words("1-" * 1_990 + "1 mm"),
    "digits without end": lambda: _words("1" * 1_990 + "," + "1" * 1_990 + ",1"),
    "conditions that nobody knows": _unknown_conditions,
    "a list of mixed types": _mixed_list,
    "a name of 300 kB": _long_names,
    "many builds": _many_builds,
    "builds that are not the plan's": _builds_that_are_not_the_plans,
    "limits of nothing": _limits_of_nothing,
    "members that are not known": _big_members,
    "aliases (CWE-776)": _aliases,
    "brackets": lambda: b"[" * 1_000_000,
    "dashes": lambda: b"- " * 500_000,
    "backslashes": lambda: b'{"a":\t"' + b"\\\\" * 500_000 + b'"}',
    "a text of 1 MB": lambda: b"title: '" + b"1-" * 520_000 + b"'",
}


@cache
def _made(name: str) -> bytes:
    return DOCUMENTS[name]()


@pytest.mark.parametrize("name", sorted(DOCUMENTS))
def test_no_document_takes_longer_than_its_size_allows_or_answers_with_much(name: str) -> None:
    raw = _made(name)
    assert len(raw) <= plan_text.MAX_BYTES + 1_000
    start = time.process_time()
    checked = check_bytes(raw, "p")
    assert time.process_time() - start < SECONDS
    assert len(checked.findings) <= plan_text.MAX_FINDINGS
    assert len(checked.text()) < 400_000


def _largest() -> str:
    """2,000 locations as an author writes them."""
    head, _, body = PLAN.partition("      - key: RING\n")
    ring, _, _ = body.partition("      - key: SUMP\n")
    return head + "".join(f"      - key: R{n}\n{ring}" for n in range(2_000))


def test_a_plan_of_2000_locations_passes() -> None:
    text = json.dumps(json.loads(_plan_of(_largest())), separators=(",", ":"))
    start = time.process_time()
    checked = check_text(text, "p")
    assert time.process_time() - start < 2 * SECONDS
    assert checked.findings == []
    assert checked.document is not None
    assert len(checked.document.locations()) == 2_000


def _plan_of(text: str) -> bytes:
    import yaml

    return json.dumps(yaml.load(text, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))).encode()


def test_the_schema_states_the_bounds_that_the_reader_holds() -> None:
    words = json.loads(schema_text())["description"]
    for bound in ("MAX_BYTES", "MAX_NODES", "MAX_DEPTH", "MAX_NAME", "MAX_TEXT"):
        assert f" {getattr(plan_text, bound)} " in words.replace(",", " "), bound


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a: [" + "1," * plan_text.MAX_NODES + "1]", "more than 80000 values"),
        ("[" * 30, "at most 20 levels"),
        ("n" * 101 + ": 1", "more than 100 characters"),
        ("title: " + "x" * 4_001, "more than 4000 characters"),
        ("a: &b 1", "Anchors"),
        ("x" * (plan_text.MAX_BYTES + 1), "larger than"),
    ],
)
def test_a_bound_that_is_passed_is_named(text: str, told: str) -> None:
    [finding] = check_text(text, "p").findings
    assert told in finding.message


def test_two_large_revisions_are_compared_in_the_time_of_their_size() -> None:
    def revision(mark: str, former: str | None) -> PlanDocument:
        places = [
            _location(n, key=f"{mark}{n}", **({"formerKey": f"{former}{n}"} if former else {}))
            for n in range(7_000)
        ]
        return msgspec.json.decode(_plan(places), type=PlanDocument)

    start = time.process_time()
    found = difference(revision("A", None), revision("B", "A"))
    assert len(found.renamed) == 7_000
    difference_text(found)
    assert time.process_time() - start < SECONDS


@pytest.mark.parametrize("role", sorted(set(Role) - {Role.AUTHOR, Role.APPROVER}))
def test_who_neither_writes_nor_approves_plans_has_none_checked(
    client_for: Callable[..., httpx.Client], role: str
) -> None:
    """OWASP ASVS 4.0.3 V11.1.4 (from memory)."""
    client = client_for([role])
    answer = client.post("/api/v1/plan-checks", content=_made("ranges without end"))
    assert answer.status_code == 403, answer.text
    path = "/api/v1/plan-revisions/01920000-0000-7000-8000-0000000000aa"
    for method, target in (("PUT", path), ("PUT", f"{path}/document")):
        sent = client.request(method, target, content=b"[", headers={"If-Match": '"x"'})
        assert sent.status_code == 403, "the document is not read first"


def test_an_agent_has_no_plan_checked(service: Running) -> None:
    site = f"S{new_id().hex[-10:]}"
    make_site(service.settings, site)
    agent = service.agent_client(site)
    assert agent.post("/api/v1/plan-checks", content=PLAN).status_code == 403


def test_many_checks_at_once_are_refused_in_time_and_hold_up_nobody(
    client_for: Callable[..., httpx.Client],
) -> None:
    author, others = client_for(["author"]), [client_for(["author"]) for _ in range(4)]
    raw = _plan([_location(n) for n in range(6_000)])
    answers: list[httpx.Response] = []

    def check(client: httpx.Client) -> None:
        answers.append(client.post("/api/v1/plan-checks", content=raw, timeout=60))

    threads = [threading.Thread(target=check, args=(who,)) for who in [author, *others, author, author]]
    for thread in threads:
        thread.start()
    waits = []
    while any(thread.is_alive() for thread in threads):
        start = time.monotonic()
        assert author.get("/health/live").status_code == 200
        waits.append(time.monotonic() - start)
        time.sleep(0.05)
    for thread in threads:
        thread.join()
    codes = sorted(answer.status_code for answer in answers)
    assert codes.count(200) >= 2
    assert set(codes) <= {200, 429, 503}
    assert set(codes) != {200}
    for answer in answers:
        if answer.status_code != 200:
            assert int(answer.headers["retry-after"]) > 0
    assert sorted(waits)[len(waits) // 2] < 0.5
    assert max(waits) < 4
    assert author.post("/api/v1/plan-checks", content=PLAN).status_code == 200, "the turn comes again"

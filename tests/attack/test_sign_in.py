"""Guessing passwords is slow over many logins and over one, and keeps the owner of an account not out.

OWASP ASVS 5.0 V6.3.1 and V6.6 (from memory): credential stuffing and spraying are slowed, and a lock of the
account is no means to keep its owner out; CWE-307, CWE-645. RFC 6585 4: 429 with Retry-After.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import UTC, datetime

import httpx
import msgspec
import pytest

from service.access.actions.tokens import hash_of
from service.access.rules import FREE_TRIES, FREE_TRIES_OF_A_NETWORK, LONGEST_WAIT_S
from service.contract.wire import new_id
from service.settings import Settings
from tests.attack.strain import honest_requests
from tests.http.problems import problem_of
from tests.live_service import Running, execute, running_service, token_of_person

PASSWORD = "correct horse battery"
SIGN_IN = "/api/v1/sessions"


@pytest.fixture(scope="module")
def attacked(
    service_settings: Settings, module_database_url: str, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Running]:
    """A service behind a proxy, so that a test says by X-Forwarded-For where it comes from."""
    settings = msgspec.structs.replace(
        service_settings, database_url=module_database_url, trusted_proxy="yes"
    )
    with running_service(settings, tmp_path_factory.mktemp("attacked")) as running:
        yield running


@pytest.fixture
def owner(attacked: Running) -> str:
    login = f"owner{new_id().hex[-8:]}"
    attacked.account(login, PASSWORD, ["auditor"])
    return login


def tried(client: httpx.Client, login: str, password: str, network: str = "192.0.2.7") -> httpx.Response:
    return client.post(
        SIGN_IN, json={"login": login, "password": password}, headers={"X-Forwarded-For": network}
    )


def must_wait(answer: httpx.Response) -> None:
    problem_of(answer, 429)
    assert 1 <= int(answer.headers["Retry-After"]) <= LONGEST_WAIT_S


def failed_before(service: Running, network: str, times: int) -> None:
    """As if so many sign-ins from there had failed just now, each with a login of its own."""
    for _ in range(times):
        execute(
            service.settings,
            "INSERT INTO access_events (id, kind, at, login_hash, network_hash) "
            "VALUES (%s, 'sign_in_tried', %s, %s, %s)",
            new_id(), datetime.now(UTC), hash_of(new_id().hex), hash_of(network),
        )  # fmt: skip


def test_one_password_tried_on_many_logins_is_slowed_for_the_whole_network(attacked: Running) -> None:
    """Each try comes from another address of one IPv6 /64, which one subscriber has whole."""
    client = attacked.client()
    answers = [
        tried(client, f"someone{number}", "Summer2026!!", f"2001:db8:1:2::{number:x}")
        for number in range(FREE_TRIES_OF_A_NETWORK)
    ]
    assert {answer.status_code for answer in answers} == {401}
    failed_before(attacked, "2001:db8:1:2::/64", 5)
    must_wait(tried(client, "someone-else", "Summer2026!!", "2001:db8:1:2:ffff::1"))
    assert tried(client, "someone-else", "Summer2026!!", "2001:db8:1:3::1").status_code == 401


def test_an_account_of_ones_own_does_not_wipe_out_the_failures_of_a_network(
    attacked: Running, owner: str
) -> None:
    network, client = "198.51.100.9", attacked.client()
    failed_before(attacked, network, FREE_TRIES_OF_A_NETWORK - 1)
    assert tried(client, owner, PASSWORD, network).status_code == 201
    client.cookies.clear()
    failed_before(attacked, network, 6)
    must_wait(tried(client, owner, PASSWORD, network))


def test_what_a_caller_writes_before_the_proxys_address_does_not_count(attacked: Running, owner: str) -> None:
    failed_before(attacked, "203.0.113.5", FREE_TRIES_OF_A_NETWORK + 6)
    must_wait(tried(attacked.client(), owner, PASSWORD, "198.51.100.77, 203.0.113.5"))


def test_without_a_trusted_proxy_nobody_chooses_his_address(service: Running) -> None:
    """On the service of the whole run, whose own tests sign in from the same address: nothing is left."""
    login = f"u{new_id().hex[-8:]}"
    service.account(login, PASSWORD, ["auditor"])
    assert tried(service.client(), login, PASSWORD, "203.0.113.66").status_code == 201
    noted = "SELECT count(*) FROM access_events WHERE login_hash = %s AND network_hash = %s"
    assert execute(service.settings, noted, hash_of(login), hash_of("127.0.0.1")) == [(2,)]


def test_a_stranger_who_guesses_keeps_the_owner_out_of_no_known_device(attacked: Running, owner: str) -> None:
    at_home, stranger = attacked.client(), attacked.client()
    first = tried(at_home, owner, PASSWORD, "192.0.2.10")
    assert first.status_code == 201
    (cookie,) = [line for line in first.headers.get_list("set-cookie") if "device" in line]
    assert all(word in cookie.lower() for word in ("httponly", "samesite=lax", "max-age=34560000"))
    for _ in range(FREE_TRIES + 4):
        tried(stranger, owner, "a wrong password", "192.0.2.66")
    must_wait(tried(stranger, owner, PASSWORD, "192.0.2.66"))
    must_wait(tried(attacked.client(), owner, PASSWORD, "192.0.2.99"))
    assert tried(at_home, owner, PASSWORD, "192.0.2.10").status_code == 201
    # Nor by filling up the owner's network.
    failed_before(attacked, "192.0.2.10", FREE_TRIES_OF_A_NETWORK + 8)
    assert tried(at_home, owner, PASSWORD, "192.0.2.10").status_code == 201


def test_a_known_device_is_known_to_its_own_account_and_slowed_as_well(attacked: Running, owner: str) -> None:
    mallory, client = f"mallory{new_id().hex[-8:]}", attacked.client()
    attacked.account(mallory, PASSWORD, ["auditor"])
    tried(client, mallory, PASSWORD, "192.0.2.20")
    (own,) = [value for name, value in client.cookies.items() if "device" in name]
    name = f"sightledger_device_{hash_of(owner).hex()[:16]}"
    for _ in range(FREE_TRIES + 3):
        tried(attacked.client(), owner, "a wrong password", "192.0.2.21")
    forged = attacked.client(cookies={name: own})
    must_wait(tried(forged, owner, PASSWORD, "192.0.2.22"))
    for _ in range(FREE_TRIES + 3):
        answer = tried(client, mallory, "a wrong password", "192.0.2.20")
    must_wait(answer)


def test_many_password_changes_at_once_hold_nobody_up(attacked: Running, owner: str) -> None:
    """Each costs three times 64 MiB and some tenths of a second; CWE-400."""
    signed_in = attacked.sign_in(owner, PASSWORD)
    (account_id,) = execute(attacked.settings, "SELECT id FROM accounts WHERE login = %s", owner)[0]
    answers: list[httpx.Response] = []

    def change() -> None:
        with httpx.Client(base_url=attacked.url, timeout=120) as client:
            answers.append(
                client.put(
                    f"/api/v1/accounts/{account_id}/password",
                    json={"current": PASSWORD, "new": PASSWORD},
                    headers={"Authorization": f"Bearer {signed_in.token}"},
                )
            )

    with honest_requests(attacked, token_of_person(attacked.settings, ["auditor"])[1]) as strain:
        changes = [threading.Thread(target=change) for _ in range(60)]
        for thread in changes:
            thread.start()
        for thread in changes:
            thread.join()
    print(f"honest requests waited {strain.longest:.2f} s")
    assert strain.longest < 2
    assert sorted(answer.status_code for answer in answers)[FREE_TRIES:] == [429] * (60 - FREE_TRIES)
    for answer in answers:
        if answer.status_code == 429:
            must_wait(answer)
    kinds = "SELECT kind, count(*) FROM access_events WHERE account_id = %s GROUP BY kind"
    noted = dict(execute(attacked.settings, kinds, account_id))
    assert noted["password_tried"] == noted["password_changed"] == FREE_TRIES

"""From where a sign-in comes, and how long it has to wait."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv6Address

from hypothesis import given
from hypothesis import strategies as st

from service.access.rules import LONGEST_WAIT_S, address_of, network_of, wait_after

v4 = st.ip_addresses(v=4)
v6 = st.ip_addresses(v=6)


@given(v4)
def test_an_ipv4_address_counts_as_itself_also_inside_ipv6(address: IPv4Address) -> None:
    assert network_of(str(address)) == str(address) == network_of(f"::ffff:{address}")


@given(v6, st.integers(0, 2**64 - 1))
def test_all_addresses_of_a_subscriber_count_as_one(address: IPv6Address, host: int) -> None:
    neighbour = IPv6Address(int(address) >> 64 << 64 | host)
    if address.ipv4_mapped is None and neighbour.ipv4_mapped is None:
        assert network_of(str(address)) == network_of(f"[{neighbour}]")


@given(v6, v6)
def test_two_subscribers_do_not_count_as_one(one: IPv6Address, other: IPv6Address) -> None:
    if int(one) >> 64 != int(other) >> 64:
        assert network_of(str(one)) != network_of(str(other))


@given(st.text())
def test_whatever_is_written_counts_as_something(text: str) -> None:
    assert network_of(text)


@given(st.text("0123456789abcdef:.,", max_size=60), v4, v6)
def test_behind_a_trusted_proxy_only_its_own_word_counts(
    written: str, seen: IPv4Address, connected: IPv6Address
) -> None:
    forwarded = [written, f"{written}, {seen}"]
    assert address_of(str(connected), forwarded, trusted_proxy=True) == str(seen)
    assert address_of(str(connected), forwarded, trusted_proxy=False) == str(connected)
    assert address_of(str(connected), [], trusted_proxy=True) == str(connected)


@given(st.integers(0, 10_000), st.integers(1, 100))
def test_the_wait_begins_after_the_free_tries_grows_and_ends(tries: int, free: int) -> None:
    assert 0 <= wait_after(tries, free) <= wait_after(tries + 1, free) <= LONGEST_WAIT_S
    assert (wait_after(tries, free) == 0) is (tries < free)

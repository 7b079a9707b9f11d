"""The guard's parts that need no socket."""

from __future__ import annotations

import pytest

from acquire.daemon import guard


@pytest.mark.parametrize(
    ("host", "name"),
    [("localhost", "localhost"), ("LocalHost:80", "localhost"), ("[::1]:8000", "[::1]"),
     ("[::1]", "[::1]"), ("127.0.0.1:1", "127.0.0.1"), ("[::1]evil", "[::1]evil"), ("", ""),
     ("[::1", "[::1")],
)  # fmt: skip
def test_a_host_is_compared_without_its_port(host, name):
    assert guard.without_port(host) == name


def test_a_client_has_its_own_rate_which_refills_evenly():
    now = [0.0]
    rate = guard.Rate(60, monotonic=lambda: now[0])

    assert [rate.allows("a") for _ in range(61)] == [True] * 60 + [False]
    assert rate.allows("b")
    now[0] = 1.0
    assert [rate.allows("a") for _ in range(2)] == [True, False]


def test_only_so_many_clients_are_remembered():
    rate = guard.Rate(2, monotonic=lambda: 0.0)
    for number in range(guard.CLIENTS + 5):
        rate.allows(str(number))

    assert len(rate._left) == guard.CLIENTS

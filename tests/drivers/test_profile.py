"""What a profile answers by itself."""

from __future__ import annotations

import dataclasses

import pytest

from drivers.profile import ScopeProfile

PROFILE = ScopeProfile(
    "x", "y", "m", "n", 4, (0.1, 0.2, 0.5), 8, 10, 1e8, 1e9, 1000, 8, 8, (1e6,), 0.02
)


@pytest.mark.parametrize(
    ("volts", "range_"), [(0.05, 0.1), (0.1, 0.1), (0.1 + 1e-12, 0.1), (0.11, 0.2), (0.6, None)]
)
def test_range_at_least(volts, range_):
    assert PROFILE.range_at_least(volts) == range_


@pytest.mark.parametrize(
    ("lengths", "samples", "length"),
    [
        ((), 12.3, 13),
        ((), 5000.0, 1000),  # the longest; what is read back falls short and is refused
        ((500, 100, 1000), 100.0, 100),
        ((500, 100, 1000), 101.0, 500),
        ((500, 100, 1000), 5000.0, 1000),
    ],
)
def test_record_length_for(lengths, samples, length):
    profile = dataclasses.replace(PROFILE, record_lengths=lengths)
    assert profile.record_length_for(samples) == length

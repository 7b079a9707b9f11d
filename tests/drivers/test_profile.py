"""What a profile answers by itself."""

from __future__ import annotations

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

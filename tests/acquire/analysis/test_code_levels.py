"""Levels of codes are those of the same numbers as doubles; sums are exact."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from acquire.analysis.code_levels import code_peak_to_peak, code_rms


@settings(deadline=None, max_examples=50)
@given(
    hnp.arrays(
        st.sampled_from([np.int8, np.int16]), st.tuples(st.integers(1, 3), st.integers(1, 3000))
    )
)
def test_peak_to_peak_and_rms_of_any_codes(codes: np.ndarray) -> None:
    wide = codes.astype(np.float64)
    np.testing.assert_array_equal(code_peak_to_peak(codes), np.ptp(wide, axis=1))
    np.testing.assert_allclose(code_rms(codes), wide.std(axis=1), rtol=1e-9, atol=1e-6)


@pytest.mark.parametrize("dtype", [np.int8, np.int16])
def test_sums_of_a_long_trace_at_the_end_of_its_range_are_exact(dtype: type) -> None:
    """Every code at the lowest value but one: the variance is known in integers."""
    lowest = np.iinfo(dtype).min
    codes = np.full((1, 1_000_003), lowest, dtype)
    codes[0, 17] = 0
    n = codes.shape[1]
    variance = lowest**2 * (n - 1) / n**2
    assert code_rms(codes)[0] == pytest.approx(np.sqrt(variance), rel=1e-9)

"""A record is its codes and the two numbers that make volts of them."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.trace import Clipping, Trace


@pytest.mark.parametrize("dtype", [np.int8, np.int16])
def test_volts(dtype):
    trace = Trace(
        np.array([-100, 0, 100], dtype), 0.5, 1.0, 0.0, 1e-9, 8, -127, 126, Clipping("flag")
    )
    assert trace.volts().dtype == np.float64
    assert trace.volts().tolist() == [-49.0, 1.0, 51.0]


@pytest.mark.parametrize(("high", "low", "clipped"), [(0, 0, False), (1, 0, True), (0, 1, True)])
def test_clipped(high, low, clipped):
    assert Clipping("end codes", high, low, holes=5).clipped is clipped

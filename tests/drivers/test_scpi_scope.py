"""The parts that every dialect shares."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.scpi import step_125
from drivers.scpi_scope import poll


@pytest.mark.parametrize(
    ("value", "step"),
    [(1.0, 1.0), (1.01, 2.0), (2.0, 2.0), (2.1, 5.0), (5.1, 10.0), (3e-9, 5e-9), (0.2, 0.2)],
)
def test_step_125(value, step):
    assert step_125(value) == pytest.approx(step, rel=1e-12)


@given(st.floats(1e-12, 1e12))
def test_step_is_never_below_and_at_most_two_and_a_half_times(value):
    step = step_125(value)
    assert value * (1 - 1e-8) <= step <= value * 2.5 * (1 + 1e-8)
    mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
    assert any(math.isclose(mantissa, m, rel_tol=1e-6) for m in (1, 2, 5))


def test_poll_asks_until_true():
    answers = iter([False, False, True])
    assert poll(lambda: next(answers), 5)


def test_poll_asks_at_least_once():
    assert poll(lambda: True, 0)
    assert not poll(lambda: False, 0)


def test_poll_gives_up():
    asked = []
    assert not poll(lambda: asked.append(1), 0.05)
    assert 1 < len(asked) < 50

"""Rounding as GUM 7.2.6 asks, with prefixes; bounds never claim more than was found."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.analysis.digits import (
    format_db,
    format_level,
    format_span,
    last_place,
    rounded_pair,
)
from acquire.analysis.results import Level


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (1.23412, 0.0123, "1.234(12) A"),
        (0.034567, 0.000891, "34.57(89) mA"),
        (1234.5, 12.0, "1.234(12) kA"),
        (2.5e-7, 1.0e-8, "250(10) nA"),
        (0.99961, 0.0996, "1.00(10) A"),
        (0.0, 0.002, "0.0(2.0) mA"),
        (0.0012, 0.0034, "1.2(3.4) mA"),
        (5.0, None, "5.000 A"),
        (0.0, None, "0 A"),
        (float("nan"), None, "–"),
        (-0.5, 0.01, "-500(10) mA"),
    ],
)
def test_levels(value, u, text):
    assert format_level(Level(value, "A", u)) == text


@pytest.mark.parametrize(
    ("db", "interval", "text"),
    [
        (31.4159, (30.91, 31.97), "31.42 dB (30.91 to 31.97)"),
        (31.4159, (25.04, 39.96), "31.4 dB (25.0 to 40.0)"),
        (31.4159, (31.4101, 31.4209), "31.416 dB (31.410 to 31.421)"),
        (None, (46.19, None), "at least 46.1 dB"),
        (None, (-0.43, None), "at least -0.5 dB"),
        (None, (None, None), "–"),
        (30.0, (None, None), "30.00 dB"),
    ],
)
def test_decibels(db, interval, text):
    assert format_db(db, interval) == text


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (0.09411, 0.09629, "94.11 to 96.29 mA"),
        (0.9, 1.1, "0.900 to 1.100 A"),
        (0.0, 0.00312, "0.00 to 3.12 mA"),
        (None, 0.00123449, "at most 1.235 mA"),
        (2.00049, None, "at least 2.000 A"),
        (None, None, "–"),
        (0.5, 0.5, "500 to 500 mA"),
        (0.0, 0.0, "0.0 to 0.0 A"),
    ],
)
def test_limits_of_a_level_are_rounded_outwards(low, high, text):
    assert format_span(low, high, "A") == text


def test_pairs_match_in_their_last_digit():
    assert rounded_pair(10.0042, 0.0351) == ("10.004", "0.035")
    assert rounded_pair(31234.0, 4321.0) == ("31200", "4300")


@given(st.floats(-1e9, 1e9), st.floats(1e-9, 1e9))
def test_rounding_moves_the_value_by_less_than_a_twentieth_of_its_uncertainty(value, u):
    place = last_place(u)
    assert 9.95 <= round(u / 10.0**place, 6) < 100.5
    shown, spread = rounded_pair(value, u)
    assert abs(float(shown) - value) <= 0.0501 * u
    assert math.isclose(float(spread), u, rel_tol=0.051)


@given(st.floats(-80, 80), st.floats(1e-3, 30), st.floats(1e-3, 30))
def test_the_ends_of_an_interval_are_rounded_outwards(db, below, above):
    text = format_db(db, (db - below, db + above))
    low, high = text[text.index("(") + 1 : -1].split(" to ")
    assert float(low) <= db - below + 1e-12
    assert float(high) >= db + above - 1e-12

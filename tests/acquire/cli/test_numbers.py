"""Digits of table cells. GUM (JCGM 100:2008) 7.2.6 gives the rule and the printed example."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.cli import numbers


@pytest.mark.parametrize(
    ("value", "unit", "uncertainty", "shown"),
    [
        (10.05762, "Ω", 0.027, "10.06 Ω"),  # GUM 7.2.6 prints 10.058 Ω; a cell stops at four digits
        (0.0123456, "A", 0.00021, "12.35 mA"),
        (0.0123456, "A", 0.0021, "12.3 mA"),
        (0.0123456, "A", None, "12.3 mA"),
        (1.23456, "A", 0.3, "1.23 A"),
        (-0.0005, "V", 0.002, "-0.5 mV"),
        (0.9996, "A", 0.01, "1.000 A"),
        (999.96, "A", 1.2, "1.000 kA"),
        (0.0, "A", None, "0 A"),
        (0.0, "A", 0.0023, "0.0 mA"),
        (1234567.0, "V", 1000.0, "1.235 MV"),
        (150e-9, "A", 40e-9, "150 nA"),
        (None, "A", None, "-"),
    ],
)
def test_a_level_has_a_prefix_and_as_many_digits_as_its_uncertainty_carries(
    value, unit, uncertainty, shown
):
    assert numbers.engineering(value, unit, uncertainty) == shown


_PREFIX = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}


@given(st.floats(1e-10, 1e9), st.floats(1e-4, 0.3))
def test_what_is_shown_is_within_half_the_uncertainty_of_what_was_computed(value, relative):
    uncertainty = value * relative

    number, unit = numbers.engineering(value, "A", uncertainty).split(" ")

    shown = float(number) * _PREFIX[unit[:-1]]
    assert abs(shown - value) <= max(0.06 * uncertainty, 0.00051 * value)


def _attenuation(state="resolved", db=40.04, interval=(39.2, 40.8), ratio=100.4):
    return {"state": state, "db": db, "interval_db": interval, "ratio": ratio}


def test_a_resolved_attenuation_shows_value_interval_and_ratio():
    result = _attenuation()

    assert numbers.attenuation(result) == "40.04 dB"
    assert numbers.interval(result) == "39.20 to 40.80 dB"
    assert numbers.ratio(result) == "100 : 1"


def test_a_narrow_interval_earns_another_decimal():
    assert numbers.interval(_attenuation(interval=(39.98, 40.11))) == "39.980 to 40.110 dB"


@given(st.floats(0.1, 120.0))
def test_a_bound_is_rounded_down_so_that_it_stays_true(low):
    result = _attenuation("floor-limited", None, (low, None), None)

    words = numbers.attenuation(result).split()
    ratio = float(numbers.ratio(result).split()[1])

    assert words[:2] == ["at", "least"]
    assert float(words[2]) <= low
    assert low - float(words[2]) < 0.1 + 1e-9
    assert ratio <= 10 ** (low / 20) * (1 + 1e-12)


def test_an_invalid_result_shows_no_number():
    result = _attenuation("invalid", None, (None, None), None)

    assert (numbers.attenuation(result), numbers.interval(result), numbers.ratio(result)) == (
        "-",
        "",
        "",
    )


def test_a_negative_attenuation_keeps_its_sign():
    result = _attenuation(db=-3.02, interval=(-3.9, -2.1), ratio=0.706)

    assert numbers.attenuation(result) == "-3.02 dB"
    assert numbers.ratio(result) == "0.706 : 1"


@pytest.mark.parametrize(
    ("db", "shown"),
    [(0.2149, "0.21"), (0.02, "0.020"), (3.14, "3.1"), (0.0996, "0.10"), (12.6, "13")],
)
def test_an_uncertainty_has_two_significant_digits(db, shown):
    assert numbers.uncertainty_db(db) == shown


def test_a_limit_reads_as_a_sentence_part():
    attenuation = {"attenuation_at_least": 30.0, "residual_at_most": None}
    residual = {"attenuation_at_least": None, "residual_at_most": 0.005}

    assert numbers.limit(attenuation, "A") == "attenuation at least 30 dB"
    assert numbers.limit(residual, "A") == "residual at most 5.00 mA"

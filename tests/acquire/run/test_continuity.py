"""The continuity check of a protective conductor."""

import math

import pytest

from acquire.errors import ContinuityError, ExitCode
from acquire.run.continuity import READINGS, Continuity, measure, require


class Meter:
    def __init__(self, *readings):
        self.readings = list(readings)

    def resistance_4_wire(self):
        return self.readings.pop(0)


def test_the_worst_of_several_readings_counts():
    meter = Meter(0.02, 0.15, 0.02)

    found = measure(meter, "choke", 0.1)

    assert found == Continuity("choke", 0.15, 0.1)
    assert not found.passed
    assert not meter.readings
    assert READINGS == 3


def test_a_reading_below_zero_is_judged_by_its_size():
    assert measure(Meter(-0.2, 0.0, 0.0), "choke", 0.1).ohms == pytest.approx(0.2)


@pytest.mark.parametrize("ohms", [math.inf, math.nan])
def test_an_open_lead_is_no_continuity(ohms):
    found = measure(Meter(0.01, ohms, 0.01), "choke", 0.1)

    assert not found.passed
    with pytest.raises(ContinuityError, match=r"measures open; at most 100 mohm is allowed"):
        require(found, "the bonding lead")


def test_the_error_says_what_was_found():
    with pytest.raises(
        ContinuityError, match=r"in the condition choke measures 150 mohm"
    ) as raised:
        require(Continuity("choke", 0.15, 0.1), "the bonding lead")

    assert raised.value.exit_code is ExitCode.FAULT


def test_just_at_the_limit_passes():
    require(Continuity("choke", 0.1, 0.1), "the bonding lead")

"""Background correction K1 of ISO 3744:2010 8.2.3 against the power correction, and decibels.

Sources: formula (16) and its limits (6 and 15 dB) as quoted by a public acoustics package; values
recomputed to four decimals. "70 with 63 is 69 dB" from a sound level meter's manual; the rounded
table (3: 3.0 ... 10: 0.45 dB) from a vendor's page in the style of JIS Z 8731.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from acquire.analysis.budget import decibels
from acquire.analysis.corrections import Pair, estimate
from acquire.analysis.measures import MEASURES

K1 = {
    1: "6.8683", 2: "4.3292", 3: "3.0206", 4: "2.2048", 5: "1.6509", 6: "1.2563", 7: "0.9665",
    8: "0.7494", 9: "0.5844", 10: "0.4576", 11: "0.3594", 12: "0.2830", 13: "0.2233", 14: "0.1764",
    15: "0.1396", 20: "0.0436",
}  # fmt: skip
ROUNDED = {3: 3.0, 4: 2.3, 5: 1.7, 6: 1.25, 7: 0.95, 8: 0.75, 9: 0.60, 10: 0.45}


def corrected(seen_db: float, floor_db: float) -> float:
    """Return the level in dB after the power correction."""
    shots = [
        SimpleNamespace(levels={"rms": np.full(4, 10 ** (db / 20))}, repeats=4)
        for db in (seen_db, floor_db)
    ]
    pair = Pair(*shots, MEASURES["rms"])  # type: ignore[arg-type]  # all that it looks at
    found = decibels(estimate(pair, "power").value)
    assert found is not None
    return found


@pytest.mark.parametrize("difference", K1)
def test_k1(half_last_digit, difference):
    assert -corrected(0.0, -difference) == half_last_digit(K1[difference])


@pytest.mark.parametrize("difference", ROUNDED)
def test_rounded_table_within_its_rounding(difference):
    assert -corrected(0.0, -difference) == pytest.approx(ROUNDED[difference], abs=0.1)


def test_worked_examples(half_last_digit):
    assert corrected(70.0, 63.0) == half_last_digit("69")
    assert corrected(55.0, 50.0) == half_last_digit("53.3")


def test_amplitude_habit_overstates_what_power_takes_off():
    """At 10 dB above the floor, taking amplitudes off removes 3.3 dB where 0.46 dB is right."""
    assert decibels(1 - 10 ** (-10 / 20)) == pytest.approx(-3.30, abs=0.005)
    assert corrected(10.0, 0.0) - 10.0 == pytest.approx(-0.4576, abs=5e-5)


def test_decibels_of_a_ratio(half_last_digit):
    """Pure mathematics: 20 lg 30 = 29.5424 dB."""
    assert decibels(30.0) == half_last_digit("29.5424")

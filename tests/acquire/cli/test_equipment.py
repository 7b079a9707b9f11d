"""A calibration that was over on the day of the run is said beside the numbers it touches."""

from datetime import date

import pytest

from acquire.cli.equipment import calibration

DAY = date(2026, 11, 25)


@pytest.mark.parametrize(
    ("due", "told"),
    [
        ("2026-11-25", "calibration due 2026-11-25"),  # its last day still counts
        (date(2027, 1, 1), "calibration due 2027-01-01"),
        ("2026-11-24", "CALIBRATION ENDED 2026-11-24, before the run"),
        (None, "no calibration date given"),
    ],
)
def test_a_calibration_is_held_against_the_day_of_the_run(due, told):
    assert calibration(due, DAY) == told

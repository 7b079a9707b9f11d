"""Time stamps, against what a maker's manual prints. Keys as in drivers/README.md."""

from __future__ import annotations

import pytest

from drivers.errors import AnswerError
from drivers.timestamps import frame_times


def test_frame_times_as_printed():
    """T6 p344 and p347: two of the time stamps printed there, 6.000344188 ms apart."""
    answer = '1,4,"02 Mar 2000 20:10:54.536 036 928 432","02 Mar 2000 20:10:54.542 037 272 620"'
    assert frame_times(answer) == pytest.approx((0.0, 6.000344188e-3), abs=1e-13)


def test_frame_times_across_midnight():
    answer = '"31 Dec 2025 23:59:59.999 999 999 999","01 Jan 2026 00:00:00.000 000 000 001"'
    assert frame_times(answer) == pytest.approx((0.0, 2e-12), abs=1e-16)


@pytest.mark.parametrize("answer", ["", "1,2", '"yesterday"', '"02 Mar 2000 20:10:54.x"'])
def test_what_is_no_frame_time(answer):
    with pytest.raises(AnswerError, match="time stamp"):
        frame_times(answer)

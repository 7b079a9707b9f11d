"""Traces made small: no peak is lost."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from acquire.daemon import preview
from acquire.errors import DamagedFileError
from acquire.runfile import RunFile


def test_a_peak_of_one_sample_is_kept():
    codes = np.zeros(1_000_003, np.int16)
    codes[777_777], codes[5] = 3210, -123

    low, high, bucket = preview.envelope(codes, 400)

    assert low.size <= 400
    assert (high.max(), high.argmax()) == (3210, 777_777 // bucket)
    assert (low.min(), low.argmin()) == (-123, 0)


@given(arrays(np.int8, st.integers(1, 300)), st.integers(1, 120))
def test_every_bucket_has_the_extremes_of_its_samples(codes, points):
    """Against numpy's own minimum and maximum of each slice."""
    low, high, bucket = preview.envelope(codes, points)

    assert low.size == high.size <= points
    slices = [codes[i : i + bucket] for i in range(0, codes.size, bucket)]
    assert low.tolist() == [int(one.min()) for one in slices]
    assert high.tolist() == [int(one.max()) for one in slices]


def test_volts_are_those_of_the_run_file(measured):
    """Against the codes of the file itself, all of one bucket wide."""
    path = next(measured.runs.glob("*.h5"))
    found = preview.of_run(1, path, 1_000_000)

    with RunFile.open(path) as file:
        for trace in found.traces:
            entry = next(one for one in file.shots() if one.name == trace.shot)
            names = [channel.quantity for channel in entry.header.channels]
            index, last = names.index(trace.quantity), entry.repeats - 1
            numbers = file.numbers(trace.shot)
            codes = file.trace_block(trace.shot, trace.quantity, slice(last, last + 1))[0]
            volts = numbers.gain[index, last] * codes + numbers.offset[index, last]
            assert trace.bucket == 1
            assert trace.lowest == pytest.approx(volts)
            assert trace.highest == pytest.approx(volts)
            assert trace.peak_to_peak == pytest.approx(np.ptp(volts))


def test_the_floor_shown_is_the_one_at_the_target_s_range(measured):
    path = next(measured.runs.glob("*.h5"))
    traces = [t for t in preview.of_run(1, path, 50).traces if t.quantity == "lead_current"]
    by_role = {trace.role: trace for trace in traces}

    assert len(traces) == 3
    assert by_role["floor"].vertical_range == by_role["target"].vertical_range
    ratio = by_role["target"].peak_to_peak / by_role["floor"].peak_to_peak
    assert by_role["target"].margin_db == pytest.approx(20 * np.log10(ratio))
    assert by_role["reference"].margin_db is not None  # its own floor, at its own range


def test_data_that_are_gone_are_said_to_be(tmp_path):
    with pytest.raises(DamagedFileError):
        preview.of_run(1, tmp_path, 50)

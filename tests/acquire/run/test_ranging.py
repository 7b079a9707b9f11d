"""The ranging decision, against a signal and a set of ranges, without any instrument."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.run.ranging import (
    FILL_HIGH,
    Extremes,
    RangeState,
    allowed,
    decide,
    first_range,
    smallest,
)

# 1-2-5 steps in volts per division, 8 divisions: what most families offer
STEPS = tuple(8 * m * 10.0**e for e in range(-3, 1) for m in (1, 2, 5))


def look(peaks, full_scale, bits=8):
    """Return what an ideal converter of this range would report of some bursts."""
    code = full_scale / 2**bits
    seen = []
    for peak in peaks:
        held = min(peak, full_scale / 2)
        rounded = round(held / code) * code
        seen.append(Extremes(-rounded, rounded, peak > full_scale / 2))
    return seen, code


def settle(peaks, start, available=STEPS, at_least=0.0):
    """Drive the decision to its end; return (range, decisions)."""
    current, too_small, decisions = start, 0.0, []
    for _ in range(12):
        events, code = look(peaks, current)
        decision = decide(RangeState(current, available, code, at_least, too_small), events)
        decisions.append(decision)
        if decision.verdict != "next":
            return current, decisions
        assert decision.vertical_range != current
        current, too_small = decision.vertical_range, decision.too_small
    raise AssertionError("ranging does not end")


@given(
    peak=st.floats(1e-3, 3.0),
    scatter=st.floats(0, 0.05),
    start=st.sampled_from(STEPS),
)
def test_ends_on_the_smallest_range_that_holds_every_event_with_room(peak, scatter, start):
    peaks = (peak, peak * (1 - scatter), peak * (1 + scatter))

    found, decisions = settle(peaks, start)

    assert max(peaks) <= found / 2
    assert 2 * max(peaks) / found <= FILL_HIGH + 2 / 256
    assert len(decisions) <= 6  # over three decades
    smaller = [r for r in STEPS if r < found]
    if smaller:
        # a smaller range would have left no room for the scatter, or clipped on the way
        assert 2 * max(peaks) * (1 + 4 * scatter) / smaller[-1] > FILL_HIGH * 0.9


@pytest.mark.parametrize("start", STEPS)
def test_four_tries_are_enough_from_any_of_three_decades(start):
    _, decisions = settle((0.31, 0.31, 0.31), start)

    assert len(decisions) <= 4


def test_fine_ranges_are_filled_between_60_and_90_percent():
    fine = tuple(0.01 * 1.1**n for n in range(80))

    found, _ = settle((0.2, 0.2, 0.2), fine[-1], fine)

    assert 0.60 <= 2 * 0.2 / found <= 0.90


def test_a_tiny_residual_goes_to_the_smallest_range():
    found, decisions = settle((1e-5, 1e-5, 1e-5), STEPS[-1])

    assert found == STEPS[0]
    assert decisions[-1].reason == "smallest range that holds it"


def test_a_range_that_clipped_is_never_tried_again():
    # one event in three is twice as high: a decision from the other two alone would go back
    peaks = (0.02, 0.02, 0.9)
    tried = []
    current, too_small = 0.08, 0.0
    for _ in range(10):
        tried.append(current)
        events, code = look(peaks if current < 2 else peaks[:2], current)
        decision = decide(RangeState(current, STEPS, code, 0.0, too_small), events)
        if decision.verdict != "next":
            break
        current, too_small = decision.vertical_range, decision.too_small

    assert len(set(tried)) == len(tried)
    assert current > too_small > 0


def test_what_clips_at_the_largest_range_cannot_be_measured():
    found, decisions = settle((50.0, 50.0, 50.0), STEPS[0])

    assert decisions[-1].verdict == "cannot"
    assert found == STEPS[-1]
    assert "clips at the largest range that may be selected, 40 V" in decisions[-1].reason


def test_a_trigger_level_keeps_its_range_large_enough():
    found, _ = settle((0.01, 0.01, 0.01), STEPS[-1], at_least=0.5)

    assert found == smallest(STEPS, 0.5)


def test_scatter_leaves_more_room():
    steady, _ = settle((0.34, 0.34, 0.34), STEPS[-1])
    jumpy, _ = settle((0.34, 0.26, 0.30), STEPS[-1])

    assert jumpy > steady


def test_no_range_beyond_what_a_50_ohm_input_survives():
    assert max(allowed(STEPS, 50.0, 5.0)) / 2 <= 5.0
    assert allowed(STEPS, 1e6, 5.0) == STEPS
    assert allowed(STEPS, 50.0, None) == STEPS
    assert allowed(STEPS, 50.0, 1e-6) == ()


@pytest.mark.parametrize(
    ("expected", "found"), [(None, STEPS[-1]), (0.4, 1.6), (1000.0, STEPS[-1]), (1e-9, STEPS[0])]
)
def test_begins_with_room_for_the_expected_peak_or_with_the_largest(expected, found):
    assert first_range(STEPS, expected) == pytest.approx(found)


def test_no_range_at_all_is_a_mistake_of_the_caller():
    with pytest.raises(ValueError, match="no range"):
        first_range((), 1.0)

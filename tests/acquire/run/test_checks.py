"""Judgements on records, by synthetic codes whose faults are known."""

import numpy as np
import pytest

from acquire.run.checks import (
    ShotChecks,
    TriggerCheck,
    bits_unused,
    changed_scaling,
    decayed,
    extremes,
    missed_trigger,
    sampled_too_slowly,
)
from drivers.trace import Clipping, Trace

STEP = 4e-9
SAMPLES = 5000
PRE = 1000
FULL_SCALE = 2.56
GAIN = FULL_SCALE / 256


def trace(
    *, amplitude=1.0, frequency=3e6, decay=1e-6, noise=0.005, seed=0, clip=False, samples=SAMPLES,
    step=STEP, offset=0.0, gain=GAIN, start=None, holes=0,
):  # fmt: skip
    rng = np.random.default_rng(seed)
    t = (np.arange(samples) - PRE) * step
    burst = np.where(
        t >= 0, amplitude * np.exp(-t / decay) * np.sin(2 * np.pi * frequency * t), 0.0
    )
    volts = burst + rng.normal(0, noise, samples)
    codes = np.clip(np.round((volts - offset) / gain), -128, 127).astype(np.int8)
    clipping = Clipping("end codes", int(clip), 0, holes)
    begin = -PRE * step if start is None else start
    return Trace(codes, gain, offset, begin, step, 8, -128, 127, clipping)


EDGE = TriggerCheck("lead", 0.2)


def checks(trigger=EDGE):
    return ShotChecks({"lead": FULL_SCALE}, trigger)


def test_a_good_shot_has_no_fault_and_no_remark():
    judged = checks()
    for seed in range(5):
        record = {"lead": trace(seed=seed)}
        assert judged.fault(record) == ""
        assert judged.clips(record) == []
        peaks = judged.accept(record)
        assert peaks["lead"] == pytest.approx(0.92, abs=0.05)

    assert judged.remarks("reference", 5) == ()
    assert len(judged.peaks["lead"]) == 5


def test_a_clipped_record_is_named_and_counted():
    judged = checks()
    record = {"lead": trace(clip=True)}

    assert judged.clips(record) == ["lead"]
    judged.accept(record)

    assert judged.clipped == {"lead": 1}
    assert judged.remarks("floor", 1) == ("lead: 1 samples clipped",)


@pytest.mark.parametrize(
    ("other", "says"),
    [
        ({"gain": GAIN * 2}, "the gain changed"),
        ({"offset": 0.1}, "the offset changed"),
        ({"step": 8e-9}, "the sample interval changed"),
        ({"start": -PRE * STEP + 5 * STEP}, "the start changed"),
        ({"samples": 4000}, "4000 samples after 5000"),
    ],
)
def test_a_record_under_other_settings_is_no_part_of_the_shot(other, says):
    judged = checks(trigger=None)
    judged.accept({"lead": trace()})

    assert says in judged.fault({"lead": trace(seed=1, **other)})


def test_the_trigger_instant_may_move_by_less_than_two_samples():
    one, other = trace(), trace(start=-PRE * STEP + 0.7 * STEP)

    assert changed_scaling("lead", one, other) == ""


def test_a_record_without_an_edge_at_time_zero_was_triggered_by_something_else():
    quiet = trace(amplitude=0.0)

    assert "no edge through 500 mV at time zero" in missed_trigger(
        quiet, TriggerCheck("lead", 0.5), FULL_SCALE
    )
    assert missed_trigger(trace(), TriggerCheck("lead", 0.5), FULL_SCALE) != ""
    assert missed_trigger(trace(frequency=20e6), TriggerCheck("lead", 0.5), FULL_SCALE) == ""
    outside = trace(start=1.0)
    assert "does not hold its trigger instant" in missed_trigger(
        outside, TriggerCheck("lead", 0.5), FULL_SCALE
    )


def test_the_same_record_twice_is_stale_data():
    judged = checks()
    judged.accept({"lead": trace()})

    assert "stale" in judged.fault({"lead": trace()})
    assert judged.fault({"lead": trace(seed=1)}) == ""


def test_two_empty_records_may_be_equal():
    # far below one code, a converter may well give the same few codes twice
    judged = checks(trigger=None)
    judged.accept({"lead": trace(amplitude=0.0, noise=0.0)})

    assert judged.fault({"lead": trace(amplitude=0.0, noise=0.0)}) == ""


def test_samples_that_were_never_acquired_are_no_data():
    assert "3 samples were never acquired" in checks().fault({"lead": trace(holes=3)})


def test_a_burst_that_outlasts_its_record_is_remarked_upon_once():
    judged = checks(trigger=None)
    for seed in range(4):
        judged.accept({"lead": trace(decay=20e-6, seed=seed)})

    (remark,) = judged.remarks("target", 4)

    assert "has not decayed" in remark
    assert judged.remarks("floor", 4) == ()


def test_noise_alone_is_decayed():
    assert decayed(trace(amplitude=0.0, noise=0.3))
    assert decayed(trace(amplitude=0.0, noise=0.0))
    assert not decayed(trace(decay=1.0))


def test_energy_near_half_the_sample_rate_is_remarked_upon():
    # 250 MSa/s: the top of the band begins at 100 MHz
    assert "sample faster" in sampled_too_slowly("lead", trace(frequency=110e6, decay=0.3e-6))
    assert sampled_too_slowly("lead", trace(frequency=10e6)) == ""


def test_white_noise_is_not_taken_for_a_fast_burst():
    assert sampled_too_slowly("lead", trace(amplitude=0.0, noise=0.2)) == ""
    assert sampled_too_slowly("lead", trace(amplitude=1.0, noise=0.05)) == ""


def test_a_record_without_a_pre_trigger_part_cannot_be_judged():
    assert sampled_too_slowly("lead", trace(start=0.0)) == ""


@pytest.mark.parametrize(("span", "said"), [(256, False), (33, False), (31, True), (0, True)])
def test_three_unused_bits_are_common_four_are_too_many(span, said):
    assert bool(bits_unused("lead", span, trace())) is said


def test_extremes_in_volts_also_where_the_gain_is_negative():
    upright, inverted = trace(seed=3), trace(seed=3, gain=-GAIN)

    found = extremes(upright)

    assert found.low < 0 < found.high
    assert found.peak == pytest.approx(max(abs(upright.volts())))
    assert extremes(inverted).low < extremes(inverted).high

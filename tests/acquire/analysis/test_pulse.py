"""Pulse facts, each against a waveform whose value is known by calculus."""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.inputs import Capture, Transducer
from acquire.analysis.pulse import bursts, capture_pulse_facts, pulse_facts

STEP = 4e-9
SAMPLES = 25_000  # 100 us
TIME = STEP * np.arange(SAMPLES)
TAU, FREQUENCY = 2e-6, 3e6
OMEGA = 2 * np.pi * FREQUENCY


def burst(begin: float, amplitude: float = 1.0) -> np.ndarray:
    after = np.maximum(TIME - begin, 0.0)
    return amplitude * np.exp(-after / TAU) * np.sin(OMEGA * after)


def noisy(trace: np.ndarray, repeats: int = 5, rms: float = 1e-3) -> np.ndarray:
    return trace + np.random.default_rng(51).normal(0.0, rms, (repeats, SAMPLES))


ENERGY = TAU / 4 * (1 - 1 / (1 + (OMEGA * TAU) ** 2))
"""Integral of exp(-2t/tau) sin^2(wt), in unit^2 s (calculus)."""
PEAK_AT = np.arctan(OMEGA * TAU) / OMEGA
PEAK = np.exp(-PEAK_AT / TAU) * np.sin(OMEGA * PEAK_AT)
LASTS = TAU * np.log(10)
"""The envelope is above a tenth of its beginning for ln(10) tau."""


def test_one_burst_with_a_stated_rate() -> None:
    """A high peak with a tiny duty cycle: 100 bursts a second, each of 4.6 us."""
    facts = pulse_facts(noisy(burst(10e-6, 2.0)), STEP, "A", burst_rate=100.0)
    assert facts.peak == pytest.approx(2 * PEAK, rel=0.005)
    assert facts.rms_record == pytest.approx(np.sqrt(4 * ENERGY / 100e-6), rel=0.002)
    assert facts.crest_factor == pytest.approx(2 * PEAK / np.sqrt(4 * ENERGY / 100e-6), rel=0.005)
    assert facts.bursts == 1
    assert facts.burst_duration == pytest.approx(LASTS, rel=0.05)
    assert (facts.burst_rate, facts.rate_source) == (100.0, "stated")
    assert facts.duty_cycle == pytest.approx(LASTS * 100.0, rel=0.05)
    assert facts.rms_burst_period == pytest.approx(np.sqrt(4 * ENERGY * 100.0), rel=0.002)
    assert facts.rise_method == "peak"
    assert facts.remarks == ()


def test_noise_power_is_taken_out_of_the_rms_over_the_period() -> None:
    """With noise of the burst's own energy the plain RMS is 3 dB high; this one is not."""
    rms = np.sqrt(ENERGY / 100e-6)
    facts = pulse_facts(noisy(burst(30e-6), repeats=20, rms=rms), STEP, "A", burst_rate=1e4)
    assert facts.rms_record == pytest.approx(np.sqrt(2) * rms, rel=0.03)
    assert facts.rms_burst_period == pytest.approx(rms, rel=0.05)


def test_bursts_within_the_record_give_their_rate_and_the_rms_over_whole_periods() -> None:
    train = sum(burst(begin) for begin in (6e-6, 31e-6, 56e-6, 81e-6))
    facts = pulse_facts(noisy(train), STEP, "A")
    assert facts.bursts == 4
    assert facts.rate_source == "within the record"
    assert facts.burst_rate == pytest.approx(40e3, rel=1e-3)
    assert facts.duty_cycle == pytest.approx(LASTS * 40e3, rel=0.05)
    assert facts.rms_burst_period == pytest.approx(np.sqrt(ENERGY * 40e3), rel=0.002)


def test_trigger_times_give_a_lower_bound_and_it_is_said() -> None:
    """Bursts at 1 kHz, of which the scope caught the 1st, 8th, 11th and 31st."""
    times = np.array([0.0, 7e-3, 10e-3, 30e-3])
    facts = pulse_facts(noisy(burst(10e-6), repeats=4), STEP, "A", trigger_time=times)
    assert facts.rate_source == "trigger times"
    assert facts.burst_rate == pytest.approx(1 / 3e-3)
    assert facts.rms_burst_period is not None
    assert facts.rms_burst_period < np.sqrt(ENERGY * 1e3)
    assert any("lower bounds" in remark for remark in facts.remarks)


def test_an_unknown_rate_leaves_what_rests_on_it_empty() -> None:
    facts = pulse_facts(noisy(burst(10e-6)), STEP, "A")
    assert (facts.burst_rate, facts.rate_source) == (None, "unknown")
    assert facts.duty_cycle is None
    assert facts.rms_burst_period is None
    assert any("burst rate is not known" in remark for remark in facts.remarks)


def test_the_ring_and_its_decay() -> None:
    facts = pulse_facts(noisy(burst(10e-6), repeats=16), STEP, "A")
    (ring,) = facts.rings
    assert ring.frequency == pytest.approx(FREQUENCY, rel=1e-3)
    assert ring.time_constant == pytest.approx(TAU, rel=0.01)
    assert ring.quality == pytest.approx(np.pi * FREQUENCY * TAU, rel=0.01)


def test_a_second_ring() -> None:
    after = np.maximum(TIME - 10e-6, 0.0)
    second = 0.4 * np.exp(-after / 1e-6) * np.sin(2 * np.pi * 19e6 * after)
    facts = pulse_facts(noisy(burst(10e-6) + second, repeats=16), STEP, "A")
    assert [round(ring.frequency / 1e6, 1) for ring in facts.rings] == [3.0, 19.0]


def test_the_ring_of_a_train_is_that_of_its_first_burst() -> None:
    train = sum(burst(begin) for begin in (6e-6, 31e-6, 56e-6))
    (ring,) = pulse_facts(noisy(train, repeats=16), STEP, "A").rings
    assert ring.time_constant == pytest.approx(TAU, rel=0.01)


def test_the_rise_time_of_a_step_is_that_of_its_states() -> None:
    trace = 1 - np.exp(-np.maximum(TIME - 10e-6, 0.0) / 100e-9)
    facts = pulse_facts(noisy(trace), STEP, "V", burst_rate=1e3)
    assert facts.rise_method == "histogram"
    # ln(9) tau; levels are known to one bin of a hundred, noise shifts the 90 % crossing.
    assert facts.rise_time == pytest.approx(2.197 * 100e-9, rel=0.12)
    assert facts.rings == ()


def test_a_sine_has_its_crest_factor_and_no_quiet_part() -> None:
    facts = pulse_facts(np.stack([np.sin(OMEGA * TIME)] * 2), STEP, "A")
    assert facts.crest_factor == pytest.approx(np.sqrt(2), rel=1e-3)
    assert any("too few samples before the first burst" in remark for remark in facts.remarks)


def test_noise_alone_holds_no_burst() -> None:
    facts = pulse_facts(noisy(np.zeros(SAMPLES)), STEP, "A", burst_rate=1e3)
    assert facts.bursts == 0
    assert facts.rings == ()
    assert facts.rise_time is None
    assert any("no burst stands out" in remark for remark in facts.remarks)
    assert facts.rms_burst_period == pytest.approx(0.0, abs=1e-3)


def test_negative_bursts_are_bursts() -> None:
    facts = pulse_facts(noisy(-burst(10e-6) + 0.25), STEP, "A", burst_rate=1e3)
    assert facts.peak == pytest.approx(PEAK, rel=0.01)
    assert facts.bursts == 1


def test_the_dips_of_a_ring_do_not_divide_a_burst() -> None:
    starts, stops = bursts(burst(10e-6) + burst(70e-6), 0.0, 0.0)
    np.testing.assert_allclose(starts * STEP, [10e-6, 70e-6], atol=2e-8)
    np.testing.assert_allclose((stops - starts) * STEP, LASTS, rtol=0.05)


def test_a_capture_gives_the_facts_of_its_values() -> None:
    codes = np.round(100 * noisy(burst(10e-6), rms=0.005)).astype(np.int8)
    capture = Capture(
        shot="01_reference_bare",
        order=1,
        role="reference",
        condition="bare",
        quantity="lead_current",
        codes=codes,
        gain=np.full(5, 0.02),
        offset=np.full(5, -0.1),
        start=np.zeros(5),
        step=STEP,
        trigger_time=np.arange(5) * 1e-3,
        bits=8,
        vertical_range=5.12,
        transducer=Transducer("clamp", "A", 0.5, (1e3, 1e8), 0.01),
    )
    facts = capture_pulse_facts(capture, burst_rate=1e3)
    assert facts == pulse_facts(capture.values(), STEP, "A", capture.trigger_time, 1e3)
    assert facts.peak == pytest.approx(4 * PEAK, rel=0.03)


def test_the_table_names_facts_and_units() -> None:
    table = pulse_facts(noisy(burst(10e-6)), STEP, "A", burst_rate=100.0).to_table()
    assert table.columns == ("fact", "value", "unit")
    found = {row[0]: row[1:] for row in table.rows}
    assert found["burst rate (stated)"] == (100.0, "Hz")
    assert found["ring 1 frequency"][0] == pytest.approx(FREQUENCY, rel=1e-3)

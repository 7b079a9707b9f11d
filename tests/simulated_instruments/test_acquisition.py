"""Trigger, states, clipping, quantisation; wall time is a clock that the tests move."""

import dataclasses
import math

import numpy as np
import pytest

from simulated_instruments.acquisition import Acquisition, Pace, State
from simulated_instruments.circuit import Circuit
from simulated_instruments.digitiser import Timing
from simulated_instruments.models import MODELS
from simulated_instruments.scenario import Input, Scenario
from simulated_instruments.status import ScpiError

TIMING = Timing(10_000, 4e-9, -4e-6)
PERFECT = {"gain_accuracy": 0.0, "offset_accuracy": 0.0, "noise": (0.0, 0.0)}


class Clock:
    def __init__(self):
        self.now = 0.0

    def __call__(self):
        return self.now


class Rig:
    """An acquisition on the bare lead, triggered by the inverter's edge."""

    def __init__(self, scenario=None, dialect="keysight_infiniivision", seed=1, late=0.0, **model):
        self.clock = Clock()
        self.circuit = Circuit(scenario, seed)
        self.circuit.set_condition("bare")
        self.model = dataclasses.replace(MODELS[dialect], **model)
        self.scope = Acquisition(self.model, self.circuit, Pace(), self.clock, lambda: late)
        self.scope.set_timing(TIMING)
        self.scope.set_channel(1, range=16.0)
        self.scope.set_channel(2, range=16.0, enabled=True)
        self.scope.set_trigger(source=2, level=1.0, rising=True, auto=False)

    def run(self, seconds=0.01, tick=0.0002):
        """Let time pass, polling; return the states seen."""
        seen = []
        for _ in range(round(seconds / tick)):
            self.clock.now += tick
            seen.append(self.scope.state())
        return seen

    def take(self, segments=1):
        self.scope.arm(segments)
        self.run()
        assert self.scope.stopped()
        return self.scope.records


def test_states_follow_in_order_and_end_stopped():
    rig = Rig()
    rig.scope.arm()
    seen = list(dict.fromkeys(rig.run()))
    assert seen == [State.ARMING, State.TRIGGERED, State.STOPPED]
    assert len(rig.scope.records) == 1
    assert (rig.scope.arms, rig.scope.triggers) == (1, 1)


def test_trigger_that_is_not_crossed_does_not_fire():
    rig = Rig()
    rig.scope.set_channel(2, range=40.0)
    rig.scope.set_trigger(level=9.0)  # the edge with its overshoot ends at about 7.2 V
    rig.scope.arm()
    assert rig.run()[-1] is State.WAITING
    assert rig.scope.records == []
    with pytest.raises(ScpiError) as caught:
        rig.scope.record()
    assert caught.value.code == -230


def test_trigger_on_an_input_with_nothing_connected_does_not_fire():
    rig = Rig()
    rig.scope.set_trigger(source=4, level=1.0)
    rig.scope.arm()
    assert rig.run()[-1] is State.WAITING
    rig.scope.set_trigger(source=0, level=1.0)
    assert rig.run()[-1] is State.WAITING


def test_automatic_sweep_fires_without_an_event():
    rig = Rig()
    rig.scope.set_trigger(source=4, level=1.0, auto=True)
    rig.scope.arm()
    assert rig.run(0.1)[-1] is State.STOPPED
    places = [rig.scope.records[0].trigger]
    for _ in range(9):
        rig.scope.arm()
        rig.run(0.1)
        places.append(rig.scope.records[0].trigger)
    assert np.std(places) > 20e-6, "anywhere in the inverter's period"


def test_level_within_the_noise_fires_anywhere():
    rig = Rig()
    rig.scope.set_trigger(source=1, level=1e-3)
    places = [rig.take()[0].trigger for _ in range(20)]
    assert np.std(places) > 20e-6


def test_trigger_stands_where_the_edge_crosses_the_level():
    rig = Rig(dataclasses.replace(Scenario(), trigger_jitter=0.0))
    got = rig.take()[0].trigger
    # from -6 V to +6 V in 60 ns, then rounded by nothing: 1 V is crossed after 7/12 of it
    assert got == pytest.approx(60e-9 * 7 / 12, abs=1e-9)


def test_falling_slope_waits_for_the_falling_edge():
    rig = Rig(dataclasses.replace(Scenario(), trigger_jitter=0.0, duty=(0.5, 0.0)))
    rig.scope.set_trigger(rising=False)
    assert rig.take()[0].trigger == pytest.approx(125e-6 + 60e-9 * 5 / 12, abs=5e-9)


def test_trigger_jitter_has_the_stated_deviation():
    rig = Rig(dataclasses.replace(Scenario(), trigger_jitter=5e-9))
    places = [rig.take()[0].trigger for _ in range(200)]
    assert np.std(places) == pytest.approx(5e-9, rel=0.15)


def test_stale_state_only_where_the_family_lags():
    lagging, prompt = Rig(dialect="tektronix"), Rig()
    for rig in (lagging, prompt):
        rig.scope.arm()
        rig.clock.now += 1e-4
    assert lagging.scope.stale
    assert not prompt.scope.stale


def test_changed_setting_begins_a_running_acquisition_anew():
    rig = Rig()
    rig.scope.arm()
    rig.clock.now += 4e-4
    rig.scope.set_channel(1, range=8.0)
    rig.clock.now += 4e-4
    assert rig.scope.state() is State.ARMING
    rig.run()
    assert rig.scope.records[0].channels[0].range == 8.0


def test_stop_before_the_trigger_keeps_no_new_record():
    rig = Rig()
    first = rig.take()
    rig.scope.arm()
    rig.scope.stop()
    assert rig.scope.stopped()
    assert rig.scope.records is first


def test_late_trigger_comes_late_and_never_means_never():
    rig = Rig(late=0.05)
    rig.scope.arm()
    assert rig.run(0.03)[-1] is State.WAITING
    assert rig.run(0.03)[-1] is State.STOPPED
    never = Rig(late=math.inf)
    never.scope.arm()
    assert never.run(1.0, 0.01)[-1] is State.WAITING


def test_force_records_now():
    rig = Rig(late=math.inf)
    rig.scope.arm()
    rig.run()
    rig.scope.force()
    rig.run()
    assert rig.scope.stopped()
    assert len(rig.scope.records) == 1


def test_continuous_acquisition_goes_on_until_stopped():
    rig = Rig()
    rig.scope.arm(continuous=True)
    assert State.STOPPED not in rig.run(0.01)
    assert len(rig.scope.records) == 1
    event = rig.scope.records[0].snapshot.event
    rig.run(0.01)
    assert rig.scope.records[0].snapshot.event > event


def test_segments_are_consecutive_events():
    records = Rig().take(5)
    events = [r.snapshot.event for r in records]
    assert events == list(range(events[0], events[0] + 5))
    assert np.diff([r.time for r in records]) == pytest.approx(250e-6, abs=2e-9)


def test_same_sequence_gives_the_same_codes():
    first, second = Rig(seed=9), Rig(seed=9)
    for rig in (first, second):
        rig.take()
        rig.take()
    assert np.array_equal(first.scope.codes(1), second.scope.codes(1))
    assert np.array_equal(first.scope.codes(1), first.scope.codes(1))


def test_condition_is_that_of_the_trigger_not_of_the_reading():
    rig = Rig()
    rig.take()
    bare = rig.scope.codes(1)
    rig.circuit.set_condition("triple_core")
    assert np.array_equal(rig.scope.codes(1), bare)
    rig.take()
    assert np.ptp(rig.scope.codes(1)) < 0.1 * np.ptp(bare)


def test_clipping_saturates_at_both_ends():
    rig = Rig()
    rig.scope.set_channel(1, range=4.0)  # +-2 V for a burst of 6 V
    rig.take()
    codes = rig.scope.codes(1)
    assert codes.max() == rig.model.code_high
    assert codes.min() == rig.model.code_low
    rig.scope.set_channel(1, range=16.0)
    rig.take()
    codes = rig.scope.codes(1)
    assert rig.model.code_low < codes.min() < codes.max() < rig.model.code_high


def test_offset_is_the_level_at_the_centre():
    rig = Rig(**PERFECT)
    rig.scope.set_channel(2, range=16.0, offset=6.0)
    rig.take()
    late = rig.scope.codes(2)[5000:]  # the output is high: +6 V
    assert abs(late.mean()) < 0.5


@pytest.mark.parametrize("dialect", ["keysight_infiniivision", "lecroy"])
def test_quantisation_noise(quiet, dialect):
    """IEEE Std 1057 (4.1, 8.4): the rms of ideal quantisation is Q / sqrt(12)."""
    rig = Rig(quiet, dialect=dialect, **PERFECT)
    rig.take()
    record, step = rig.scope.record(), rig.scope.step_volts(rig.scope.record().channels[0])
    begin = record.trigger + record.timing.start + record.lag
    true = rig.circuit.input_volts(1, record.snapshot, begin, record.timing.step, 10_000)
    error = (rig.scope.codes(1) * step - true)[1000:4000]  # where the burst moves by many steps
    assert np.abs(error).max() < 0.501 * step
    assert error.std() == pytest.approx(step / math.sqrt(12), rel=0.03)


def test_twelve_bits_resolve_sixteen_times_finer_than_eight():
    eight, twelve = (MODELS[d] for d in ("keysight_infiniivision", "lecroy"))
    assert twelve.levels / eight.levels == pytest.approx(16, rel=0.02)


def test_front_end_noise_grows_with_the_range():
    """sqrt(fixed^2 + (k * range)^2) and the quantisation on top of it, in mean square."""
    rig = Rig()
    rig.circuit.set_condition("probe_off")
    fixed, relative = rig.model.noise
    seen = []
    for full_scale in (0.008, 0.8, 40.0):
        rig.scope.set_channel(4, range=full_scale, enabled=True)  # nothing is connected to it
        rig.take()
        step = full_scale / rig.model.levels
        measured = (rig.scope.codes(4) * step).std()
        expected = math.sqrt(fixed**2 + (relative * full_scale) ** 2 + step**2 / 12)
        # 0.4 steps of noise do not quite make the quantisation error independent: 15 %
        assert measured == pytest.approx(expected, rel=0.15)
        seen.append(measured)
    assert seen == sorted(seen)


def test_gain_and_offset_stay_within_the_data_sheet_and_differ_by_range():
    rig = Rig()
    gains = [rig.scope._errors(1, r)[0] for r in rig.model.ranges]
    offsets = [rig.scope._errors(1, r)[1] / r for r in rig.model.ranges]
    assert max(abs(g - 1) for g in gains) <= rig.model.gain_accuracy
    assert max(abs(o) for o in offsets) <= rig.model.offset_accuracy
    assert len({round(g, 6) for g in gains}) == len(gains)
    assert gains == [Rig().scope._errors(1, r)[0] for r in rig.model.ranges]
    assert gains != [Rig(seed=2).scope._errors(1, r)[0] for r in rig.model.ranges]


def test_subsample_lag_is_told_or_not_there():
    told = Rig(dialect="tektronix").take(20)
    lags = [r.lag for r in told]
    assert all(0 <= lag < 4e-9 for lag in lags)
    assert np.std(lags) > 0.5e-9
    assert all(r.lag == 0 for r in Rig().take(5))


def test_bandwidth_limit_lowers_noise_and_signal():
    rig = Rig(dataclasses.replace(Scenario(), inputs=(Input(), *Scenario().inputs[1:])))
    rig.take()
    wide = rig.scope.codes(1).std()
    rig.scope.set_channel(1, bandwidth=20e6, range=0.008)
    rig.take()
    narrow = (rig.scope.codes(1) * 0.008 / rig.model.levels).std()
    rig.scope.set_channel(1, bandwidth=0.0)
    rig.take()
    full = (rig.scope.codes(1) * 0.008 / rig.model.levels).std()
    assert wide < 2
    assert narrow < 0.5 * full


def test_long_record_comes_in_pieces_and_repeats_noise_far_behind_the_event():
    rig = Rig(memory=10_000_000)
    rig.scope.set_timing(Timing(8_000_000, 0.4e-9, -4e-6))
    rig.take()
    pieces = list(rig.scope.pieces(1, 0, 0, 8_000_000))
    assert sum(map(len, pieces)) == 8_000_000
    assert pieces[5] is pieces[4], "not synthesised again"
    assert not np.array_equal(pieces[0], pieces[1])


def test_every_takes_each_nth_sample_of_the_same_waveform(quiet):
    rig = Rig(quiet, **PERFECT)
    rig.take()
    whole = rig.scope.codes(1)
    tenth = np.concatenate(list(rig.scope.pieces(1, 0, 0, 1000, every=10)))
    assert np.abs(whole[::10] - tenth).max() <= 1


def test_told_timing_is_that_of_the_record_until_a_setting_changes():
    rig = Rig()
    rig.take()
    assert rig.scope.told_timing() == TIMING
    other = Timing(5000, 8e-9, -4e-6)
    rig.scope.set_timing(other)
    assert rig.scope.told_timing() == other
    assert rig.scope.record().timing == TIMING


def test_inputs_are_numbered_from_one():
    rig = Rig()
    for number in (0, 5):
        with pytest.raises(ScpiError) as caught:
            rig.scope.channel(number)
        assert caught.value.code == -114


@pytest.mark.parametrize("seconds", [0.0002, 0.005])
def test_an_arming_that_is_stopped_uses_up_its_events_whenever_that_is(seconds):
    """So a driver may arm only to ask something, and a busy machine still gives the same codes."""
    rig = Rig()
    rig.scope.arm(3)
    rig.run(seconds)
    rig.scope.stop()

    (record,) = rig.take()
    assert record.snapshot.event == 4

"""A laboratory of fakes: instruments that keep the drivers' contracts, and fail on demand.

They stand behind the drivers' interfaces, so everything of the run is real but the wire. What the
fakes measure is made up; nothing here is a published value.
"""

import hashlib
from collections import defaultdict
from dataclasses import replace

import numpy as np
import pytest

from acquire.bench import parse_bench
from acquire.recipe import parse_recipe
from acquire.run.instruments import Openers
from drivers.errors import LinkLostError, RequestError
from drivers.ohmmeter import Ohmmeter
from drivers.profile import ScopeProfile
from drivers.scope import (
    AcquisitionState,
    AcquisitionStatus,
    ArmInfo,
    Identity,
    Scope,
    TriggerTimes,
)
from drivers.switch import Switch
from drivers.trace import Clipping, Trace

RECIPE = """
floorshot_recipe: 1
title: Bonding lead of the rack
purpose: to test the run
conductor: {name: the bonding lead, protective: true, mains_connected: false}
quantities:
  lead: {kind: current, expected_peak: 1 A}
  edge: {kind: voltage, evaluated: false}
acquisition:
  duration: 4 us
  pre_trigger: 1 us
  minimum_sample_rate: 250 MS/s
  repeats: 4
  trigger: {source: edge, level: 5 V, timeout: 1 s}
conditions:
  bare: {kind: bare, description: nothing in the lead}
  choke: {kind: candidate, description: the choke in the lead}
  core: {kind: candidate, description: the core on the lead}
  off: {kind: no_current, description: the probe off the lead}
shots:
  - {role: reference, condition: bare}
  - {role: target, condition: choke}
  - {role: target, condition: core}
  - {role: reference, condition: bare}
  - {role: floor, condition: off}
analysis: {measures: [rms]}
limits:
  - {condition: choke, quantity: lead, measure: rms, attenuation_at_least: 10 dB}
"""

BENCH = """
floorshot_bench: 1
site: a table
scope: {resource: "FAKE::scope"}
inputs:
  lead: {channel: 1, probe: clamp, input_impedance: 50 ohm, maximum_input: 5 V}
  edge: {channel: 2, probe: divider}
fixture:
  kind: relay
  resource: "FAKE::switch"
  conditions: {bare: [101], choke: [102], core: [103], off: [101, 110]}
  settling_time: 0 s
ohmmeter: {resource: "FAKE::ohmmeter"}
retry: {reconnects: 1, reconnect_wait: 0 s, shot_tries: 3}
"""

PROBES = {
    "clamp": """
floorshot_probe: 1
name: a clamp
kind: current
transfer_impedance: 1 ohm
band: {low: 10 kHz, high: 100 MHz}
uncertainty: 5 %
""",
    "divider": """
floorshot_probe: 1
name: a divider
kind: voltage
attenuation: 10
band: {low: 1 kHz, high: 200 MHz}
uncertainty: 3 %
""",
}

PROFILE = ScopeProfile(
    name="fake",
    dialect="fake",
    maker="FAKES",
    model="F1",
    channels=4,
    vertical_ranges=tuple(8 * m * 10.0**e for e in range(-3, 1) for m in (1, 2, 5)),
    vertical_divisions=8,
    horizontal_divisions=10,
    bandwidth=200e6,
    maximum_sample_rate=1e9,
    maximum_record_length=1_000_000,
    bits=8,
    code_bits=8,
    input_impedances=(50.0, 1e6),
    gain_accuracy=0.02,
)


def identity(model, serial="1"):
    return Identity("FAKES", model, serial, "1.0", f"FAKES,{model},{serial},1.0")


class Lab:
    """What there is to measure, what was done, and what goes wrong.

    ``failures[name]`` is a list of (calls to let pass, exception or function); each is used once.
    """

    def __init__(self):
        self.peaks = {101: 1.0, 102: 0.1, 103: 0.7, 110: 0.0}
        self.noise = 1e-3
        self.drift = lambda _arming: 1.0
        self.closed = {101}
        self.resistance = lambda _closed: 0.02
        self.profile = PROFILE
        self.done = []
        self.failures = defaultdict(list)
        self.trigger_comes = True
        self.armings = 0
        self.opened = 0
        self.serial = "1"
        self.leftover = ()
        self.readback = lambda wanted: wanted

    @property
    def level(self):
        if 110 in self.closed:
            return 0.0
        paths = [self.peaks[c] for c in sorted(self.closed) if c in self.peaks]
        return (max(paths) if paths else 0.0) * self.drift(self.armings)

    def fail(self, name, what, after=0):
        self.failures[name].append([after, what])

    def did(self, name, *details):
        self.done.append((name, *details))
        for failure in list(self.failures[name]):
            if failure[0] == 0:
                self.failures[name].remove(failure)
                if callable(failure[1]) and not isinstance(failure[1], type):
                    return failure[1]()
                raise failure[1]
            failure[0] -= 1
        return None

    def count(self, name):
        return sum(entry[0] == name for entry in self.done)

    @property
    def openers(self):
        return Openers(
            scope=lambda *_: FakeScope(self),
            switch=lambda *_: FakeSwitch(self),
            ohmmeter=lambda *_: FakeOhmmeter(self),
        )


class Fake:
    kind = ""

    def __init__(self, lab):
        self.lab = lab
        lab.did(f"{self.kind}.open")
        self.identity = identity(self.kind, lab.serial)
        lab.opened += 1

    def close(self):
        self.lab.opened -= 1

    def recover(self):
        self.lab.did(f"{self.kind}.recover")

    def errors(self):
        found, self.lab.leftover = self.lab.leftover, ()
        return found


class FakeScope(Fake, Scope):
    kind = "scope"

    def __init__(self, lab):
        super().__init__(lab)
        self.profile = lab.profile
        self.channels, self.state, self.trigger = {}, None, None

    def reset(self):
        self.lab.did("reset")
        self.channels.clear()

    def configure_channel(self, wanted):
        self.lab.did("configure_channel", wanted)
        self.channels[wanted.channel] = self.lab.readback(wanted)
        return self.channels[wanted.channel]

    def configure_acquisition(self, wanted):
        self.lab.did("configure_acquisition", wanted)
        rate = wanted.minimum_sample_rate
        self.state = self.lab.readback(
            AcquisitionState(
                round(wanted.time_per_record * rate), rate, wanted.time_per_record,
                wanted.acquisition_start_time, wanted.segments,
            )
        )  # fmt: skip
        return self.state

    def configure_edge_trigger(self, wanted):
        self.lab.did("configure_edge_trigger", wanted)
        self.trigger = self.lab.readback(wanted)
        return self.trigger

    def settings(self):
        return {f"range{c}": f"{s.vertical_range:g}" for c, s in sorted(self.channels.items())}

    def initiate(self):
        self.lab.did("initiate")
        self.lab.armings += 1
        return ArmInfo(0.0, True)

    def acquisition_status(self):
        return AcquisitionStatus.COMPLETE

    def wait_complete(self, timeout, _stop_requested=lambda: False):
        found = self.lab.did("wait_complete", timeout)
        if found is not None:
            return found
        done = self.lab.trigger_comes
        return AcquisitionStatus.COMPLETE if done else AcquisitionStatus.WAITING

    def abort(self):
        self.lab.did("abort")
        return True

    def record_untriggered(self, timeout):
        found = self.lab.did("record_untriggered", timeout)
        self.lab.armings += 1
        return AcquisitionStatus.COMPLETE if found is None else found

    def acquired_segments(self):
        found = self.lab.did("acquired_segments")
        return 0 if found is None else found

    def fetch(self, channel, segment=0):
        change = self.lab.did("fetch", channel, segment)
        trace = self._trace(channel, segment)
        return change(trace) if callable(change) else trace

    def _trace(self, channel, segment):
        settings, state = self.channels[channel], self.state
        rng = np.random.default_rng((self.lab.armings, channel, segment))
        step = 1 / state.sample_rate
        t = state.acquisition_start_time + np.arange(state.record_length) * step
        frequency, decay = (4e6, 0.4e-6) if channel == 1 else (20e6, 0.1e-6)
        peak = self.lab.level if channel == 1 else 1.0
        burst = np.where(t >= 0, np.exp(-t / decay) * np.sin(2 * np.pi * frequency * t), 0.0)
        volts = peak * 1.15 * burst + rng.normal(0, self.lab.noise, len(t))
        gain = settings.vertical_range / 256
        codes = np.round(volts / gain)
        clipping = Clipping("end codes", int((codes > 127).sum()), int((codes < -128).sum()))
        codes = np.clip(codes, -128, 127).astype(np.int8)
        start = state.acquisition_start_time
        return Trace(codes, gain, 0.0, start, step, 8, -128, 127, clipping)

    def trigger_times(self):
        count = self.state.segments
        return TriggerTimes(tuple(1e-6 * n for n in range(count)), "instrument")


class FakeSwitch(Fake, Switch):
    kind = "switch"
    readback = "contact"

    def close_channels(self, channels):
        change = self.lab.did("close_channels", tuple(channels))
        self.lab.closed |= set(channels) if change is None else change

    def open_channels(self, channels):
        self.lab.did("open_channels", tuple(channels))
        self.lab.closed -= set(channels)

    def closed_channels(self, among):
        self.lab.did("closed_channels")
        return frozenset(self.lab.closed & set(among))


class FakeOhmmeter(Fake, Ohmmeter):
    kind = "ohmmeter"

    def resistance_4_wire(self, _range_ohm=None):
        self.lab.did("resistance_4_wire", frozenset(self.lab.closed))
        return self.lab.resistance(self.lab.closed)


@pytest.fixture
def lab():
    return Lab()


@pytest.fixture
def segmented(lab):
    """The same laboratory with a scope that takes several records in one arming."""
    lab.profile = replace(PROFILE, maximum_segments=100)
    return lab


def changed(text, changes):
    for old, new in changes.items():
        assert old in text, old
        text = text.replace(old, new)
    return text


@pytest.fixture
def load_recipe_text():
    """Load the recipe, with pieces of its text changed."""
    return lambda changes=(): parse_recipe(changed(RECIPE, dict(changes)), "rack.yaml")


@pytest.fixture
def load_bench_text(tmp_path):
    """Load the bench, with pieces of its text, or its whole fixture, changed."""

    def load(changes=(), fixture=None, probes=PROBES):
        text = changed(BENCH, dict(changes))
        if fixture is not None:
            begin, end = text.index("fixture:"), text.index("ohmmeter:")
            text = text[:begin] + fixture + text[end:]
        # resources of this test's own, so that tests running side by side share no lock
        own = hashlib.sha256(str(tmp_path).encode()).hexdigest()[:16]
        text = text.replace("FAKE::", f"FAKE::{own}::")
        return parse_bench(text, "table.yaml", probe_texts=probes)

    return load


@pytest.fixture
def recipe(load_recipe_text):
    return load_recipe_text()


@pytest.fixture
def bench(load_bench_text):
    return load_bench_text()


@pytest.fixture
def by_hand(load_bench_text):
    """The bench without a relay unit."""
    return load_bench_text(fixture="fixture: {kind: operator}\n")


@pytest.fixture
def lost():
    return LinkLostError("the connection broke", instrument="scope (FAKE::scope)")


@pytest.fixture
def impossible():
    return RequestError("this cannot be", instrument="scope (FAKE::scope)")

"""One suite over every dialect: what the interface promises, kept against that family's twin.

The twins were written from the makers' manuals, not from the drivers; they refuse or mangle what
the real families would. Here a driver meets its twin on a real socket.

`contract_table.py` runs this suite and prints dialect x rule: each test is a rule, under its own
name, and the words ahead of the colon in a reason to skip are what its cell says.
"""

from __future__ import annotations

import contextlib
import dataclasses
import math
import threading

import numpy as np
import pytest

from drivers.catalogue import DIALECTS, open_scope
from drivers.errors import (
    AnswerError,
    ComplaintError,
    DriverError,
    LinkLostError,
    RequestError,
    TimedOutError,
)
from drivers.link import LinkPolicy
from drivers.profile import ScopeProfile
from drivers.scope import (
    AcquisitionRequest,
    AcquisitionStatus,
    ChannelSettings,
    TriggerSettings,
)
from simulated_instruments.bench import SimulatedBench
from simulated_instruments.models import MODELS

POLICY = LinkPolicy(timeout=5.0, open_timeout=5.0, reconnects=4, reconnect_wait=0.1)
IMPATIENT = dataclasses.replace(POLICY, timeout=0.4, minimum_rate=2e6)
REQUEST = AcquisitionRequest(20e-6, -5e-6, 100e6)
EDGE = TriggerSettings(2, 1.0, "positive")  # the inverter's edge, 12 V peak to peak
NO_SEGMENTS = {
    "tektronix_old": "none: this family has no frames",
    "siglent_old": "not done: the commands of its history were not read",
}
WIDTHS = [(name, bits) for name, kind in DIALECTS.items() for bits in kind.CODE_BITS]


def profile_of(dialect: str, code_bits: int = 8, **changes: object) -> ScopeProfile:
    """Return what the twin of a dialect can do."""
    model = MODELS[dialect]
    made = ScopeProfile(
        name=model.model,
        dialect=dialect,
        maker="quillmoor instruments",
        model=model.model,
        channels=model.channels,
        vertical_ranges=model.ranges,
        vertical_divisions=model.vertical_divisions,
        horizontal_divisions=model.horizontal_divisions,
        bandwidth=model.bandwidth,
        maximum_sample_rate=model.maximum_rate,
        maximum_record_length=model.memory,
        bits=model.bits,
        code_bits=code_bits,
        input_impedances=model.impedances,
        gain_accuracy=model.gain_accuracy,
        record_lengths=model.record_lengths,
        maximum_segments=model.maximum_segments,
    )
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type] # the tests name fields


@pytest.fixture(params=list(DIALECTS))
def dialect(request):
    return request.param


@pytest.fixture(scope="module")
def benches():
    """Keep one bench of each dialect for the whole module: what a circuit works out is costly."""
    with contextlib.ExitStack() as stack:
        made: dict[str, SimulatedBench] = {}

        def bench_of(dialect: str) -> SimulatedBench:
            if dialect not in made:
                made[dialect] = stack.enter_context(SimulatedBench(seed=3, dialect=dialect))
            return made[dialect]

        yield bench_of


@pytest.fixture
def bench(dialect, benches):
    made = benches(dialect)
    made.circuit.set_condition("bare")
    made.faults.clear()
    made.faults.struck.clear()
    yield made
    made.faults.clear()


def opened(bench, dialect, code_bits=8, **changes):
    profile = profile_of(dialect, code_bits, **changes)
    return open_scope(bench.resources["scope"], {profile.name: profile}, policy=POLICY)


@pytest.fixture
def scope(bench, dialect):
    made = opened(bench, dialect)
    made.reset()
    yield made
    made.close()


def set_up(scope, current_range=20.0, request=REQUEST, trigger=EDGE):
    scope.configure_channel(ChannelSettings(1, current_range))
    scope.configure_channel(ChannelSettings(2, 20.0))
    state = scope.configure_acquisition(request)
    scope.configure_edge_trigger(trigger)
    return state


def capture(scope):
    armed = scope.initiate()
    assert armed.confirmed
    assert scope.wait_complete(10.0) is AcquisitionStatus.COMPLETE


def needs_segments(scope):
    """Skip the test where a family takes records one by one only; the reason is in the table."""
    dialect = scope.profile.dialect
    assert (scope.profile.maximum_segments == 1) == (dialect in NO_SEGMENTS), (
        f"simulated_instruments/models.py and NO_SEGMENTS here contradict each other on {dialect}; "
        "say here why it takes one record at a time"
    )
    if dialect in NO_SEGMENTS:
        pytest.skip(NO_SEGMENTS[dialect])


def values_given(scope, work):
    """Return how many messages that give a setting a value are sent for some work."""
    sent = []
    scope.link._wire_log = lambda _time, direction, what: sent.append((direction, what))
    work()
    scope.link._wire_log = None
    return sum(way == "out" and "?" not in what and " " in what for way, what in sent)


def true_volts(bench, channel, segment=0):
    """Return what the twin converted, from its own codes. [V]"""
    acquisition = bench.scope.acquisition
    settings = acquisition.record(segment).channels[channel - 1]
    step = acquisition.step_volts(settings)
    return acquisition.codes(channel, segment) * step + settings.offset, step


# -- session ------------------------------------------------------------------------
def test_identity_chooses_profile_and_dialect(scope, bench, dialect):
    assert scope.identity.model == MODELS[dialect].model
    assert type(scope) is DIALECTS[dialect]


def test_reset_leaves_no_error_and_no_automatic_sweep(scope, bench):
    assert scope.errors() == ()
    assert not bench.scope.acquisition.trigger.auto


def test_errors_are_drained_once(scope):
    scope.link.write("NOSUCH:COMMAND 1")
    found = scope.errors()
    assert len(found) == 1
    assert scope.errors() == ()


def test_settings_tell_what_the_instrument_says(scope):
    set_up(scope)
    found = scope.settings()
    assert found
    assert all(value for value in found.values())
    assert scope.errors() == ()


def test_every_request_beyond_the_profile_is_refused_before_it_is_sent(scope, bench):
    for bad in (
        ChannelSettings(0, 1.0),
        ChannelSettings(9, 1.0),
        ChannelSettings(1, 0.0),
        ChannelSettings(1, math.nan),
        ChannelSettings(1, 1.0, input_impedance=75.0),
    ):
        with pytest.raises(RequestError, match="channel"):
            scope.configure_channel(bad)
    with pytest.raises(RequestError, match="segments"):
        scope.configure_acquisition(dataclasses.replace(REQUEST, segments=10**6))
    with pytest.raises(RequestError, match="channel 9"):
        scope.configure_edge_trigger(TriggerSettings(9, 0.0, "positive"))
    with pytest.raises(RequestError, match="channel 9"):
        scope.fetch(9)
    with pytest.raises(RequestError, match="segment 1"):
        scope.fetch(1, 1)
    assert scope.errors() == ()


# -- configuration ------------------------------------------------------------------
def test_channel_readback_is_the_instruments_own(scope, bench, dialect):
    """A range that does not exist: the answer is the one that was really set."""
    ranges = MODELS[dialect].ranges
    between = ranges[5] * 1.1
    got = scope.configure_channel(ChannelSettings(1, between, 0.0, "AC"))
    there = bench.scope.acquisition.channel(1)
    assert got.vertical_range == pytest.approx(there.range, rel=1e-5)
    assert got.vertical_range != pytest.approx(between, rel=1e-3)
    assert (got.coupling, got.input_impedance) == ("AC", 1e6)
    assert there.coupling == "AC"


@pytest.mark.parametrize("offset", [0.5, -0.25])
def test_offset_is_the_level_at_the_centre_of_the_range(scope, bench, offset):
    got = scope.configure_channel(ChannelSettings(1, 8.0, offset))
    there = bench.scope.acquisition.channel(1)
    assert got.vertical_offset == pytest.approx(there.offset, abs=1e-6)
    assert got.vertical_offset == pytest.approx(offset, abs=there.range / 200)


def test_50_ohm_only_on_request(scope, bench):
    if scope.impedance_is_fixed:
        pytest.skip("none: this family has no 50 ohm input")
    scope.configure_channel(ChannelSettings(1, 1.0))
    assert bench.scope.acquisition.channel(1).impedance == 1e6
    got = scope.configure_channel(ChannelSettings(1, 1.0, input_impedance=50.0))
    assert got.input_impedance == bench.scope.acquisition.channel(1).impedance == 50.0
    got = scope.configure_channel(ChannelSettings(1, 1.0))
    assert got.input_impedance == bench.scope.acquisition.channel(1).impedance == 1e6


def test_50_ohm_is_refused_where_the_profile_has_none(bench, dialect):
    made = opened(bench, dialect, input_impedances=(1e6,))
    try:
        with pytest.raises(RequestError, match="50 ohm was asked for"):
            made.configure_channel(ChannelSettings(1, 1.0, input_impedance=50.0))
        made.configure_channel(ChannelSettings(1, 1.0))
        assert bench.scope.acquisition.channel(1).impedance == 1e6
    finally:
        made.close()


def test_bandwidth_limit(scope, bench):
    got = scope.configure_channel(ChannelSettings(1, 1.0, bandwidth_limit=20e6))
    assert got.bandwidth_limit is not None
    assert 15e6 <= bench.scope.acquisition.channel(1).bandwidth <= 30e6
    got = scope.configure_channel(ChannelSettings(1, 1.0))
    assert got.bandwidth_limit is None
    assert bench.scope.acquisition.channel(1).bandwidth == 0.0


def test_disabled_channel(scope, bench):
    assert not scope.configure_channel(ChannelSettings(3, 1.0, enabled=False)).enabled
    assert not bench.scope.acquisition.channel(3).enabled


@pytest.mark.parametrize("start", [-5e-6, -10e-6, 0.0, -20e-6, 3e-6])
def test_acquisition_covers_the_request(scope, bench, start):
    request = dataclasses.replace(REQUEST, acquisition_start_time=start)
    scope.configure_channel(ChannelSettings(1, 20.0))
    got = scope.configure_acquisition(request)
    there = bench.scope.acquisition.timing
    assert got.time_per_record >= request.time_per_record * 0.999
    assert got.sample_rate >= request.minimum_sample_rate * 0.999
    assert got.record_length == there.samples
    assert got.sample_rate == pytest.approx(1 / there.step, rel=1e-4)
    assert got.acquisition_start_time == pytest.approx(there.start, abs=2 * there.step)
    slack = 3 * there.step
    if start <= 0:
        assert got.acquisition_start_time == pytest.approx(start, abs=slack)
    else:  # it may begin earlier, so long as it covers what was asked for
        assert got.acquisition_start_time <= start + slack
    end = got.acquisition_start_time + got.time_per_record
    assert end >= start + request.time_per_record * 0.999 - slack


def test_acquisition_of_an_awkward_duration(scope, bench):
    """Not a round number of anything: at least that long all the same."""
    scope.configure_channel(ChannelSettings(1, 20.0))
    got = scope.configure_acquisition(AcquisitionRequest(37.3e-6, -3e-6, 50e6))
    assert got.time_per_record >= 37.3e-6 * 0.999
    assert got.sample_rate * got.time_per_record == pytest.approx(got.record_length, rel=1e-3)


def test_sample_rate_out_of_reach_is_refused(scope):
    with pytest.raises(RequestError, match="samples per second were asked for"):
        scope.configure_acquisition(AcquisitionRequest(1.0, 0.0, 4e9))


def test_rate_is_that_of_the_next_record_not_of_the_last(scope, bench):
    set_up(scope)
    capture(scope)
    got = scope.configure_acquisition(AcquisitionRequest(2e-3, -1e-4, 1e6))
    assert got.sample_rate == pytest.approx(1 / bench.scope.acquisition.timing.step, rel=1e-4)


@pytest.mark.parametrize("slope", ["positive", "negative"])
def test_trigger_readback(scope, bench, slope):
    scope.configure_channel(ChannelSettings(2, 20.0))
    got = scope.configure_edge_trigger(TriggerSettings(2, -1.5, slope))
    there = bench.scope.acquisition.trigger
    assert (got.source, got.slope) == (2, slope)
    assert got.level == pytest.approx(-1.5, abs=1e-3)
    assert there.level == pytest.approx(-1.5, abs=1e-3)
    assert (there.source, there.rising, there.auto) == (2, slope == "positive", False)


def test_external_trigger(scope, bench):
    assert scope.configure_edge_trigger(TriggerSettings("external", 0.5, "positive")).source == (
        "external"
    )
    assert bench.scope.acquisition.trigger.source == 0


# -- one arming ---------------------------------------------------------------------
def test_capture_completes(scope):
    set_up(scope)
    assert scope.acquisition_status() is AcquisitionStatus.IDLE
    capture(scope)
    assert scope.acquired_segments() == 1
    assert scope.trigger_times().seconds == (0.0,)


def test_second_arming_is_not_complete_because_the_first_was(scope, bench):
    """The stale "stopped" of the arming before must not be taken for completion."""
    set_up(scope)
    capture(scope)
    bench.faults.inject("no_trigger")
    scope.initiate()
    assert scope.wait_complete(0.2) is not AcquisitionStatus.COMPLETE


def test_no_trigger_then_abort(scope, bench):
    set_up(scope, trigger=TriggerSettings(2, 7.4, "positive"))
    bench.faults.inject("no_trigger")
    assert scope.initiate().confirmed
    assert scope.wait_complete(0.2) is AcquisitionStatus.WAITING
    assert scope.abort()
    assert scope.acquisition_status() is AcquisitionStatus.IDLE
    assert scope.acquired_segments() == 0
    assert bench.scope.acquisition.stopped()


def test_late_trigger_is_waited_for(scope, bench):
    set_up(scope)
    bench.faults.inject("late_trigger", seconds=0.3)
    scope.initiate()
    assert scope.wait_complete(0.1) is AcquisitionStatus.WAITING
    assert scope.wait_complete(10.0) is AcquisitionStatus.COMPLETE


def test_a_record_without_a_trigger(scope, bench):
    """No event comes, and the trigger is no automatic one; the inputs can be looked at even so."""
    set_up(scope)
    bench.faults.inject("no_trigger", count=10)
    assert scope.record_untriggered(5.0) is AcquisitionStatus.COMPLETE
    expected, _ = true_volts(bench, 1)
    trace = scope.fetch(1)
    assert trace.volts() == pytest.approx(expected, abs=trace.gain)
    assert not bench.scope.acquisition.trigger.auto
    assert scope.errors() == ()
    bench.faults.clear()
    capture(scope)


@pytest.mark.parametrize("fault", ["garbage_reply", "settings_do_not_stick"])
def test_a_record_without_a_trigger_that_fails_leaves_no_automatic_sweep(scope, bench, fault):
    """Whichever answer or command is lost: the next record must not come without an event."""
    if scope.FREE_SWEEP is None:
        pytest.skip("not needed: a trigger is forced, the sweep is never automatic")
    failed = 0
    for lost in range(12):
        scope.reset()
        set_up(scope)
        bench.faults.inject(fault, after=lost)
        try:
            scope.record_untriggered(0.3)
        except DriverError:
            failed += 1
        assert not bench.scope.acquisition.trigger.auto
        bench.faults.clear()
        if not scope.link.usable:
            scope.recover()
    assert failed >= 2


def test_a_record_without_a_trigger_is_one_segment(scope):
    needs_segments(scope)
    set_up(scope, request=dataclasses.replace(REQUEST, segments=3))
    with pytest.raises(RequestError, match="one segment"):
        scope.record_untriggered(1.0)


def test_stop_request_ends_the_wait(scope, bench):
    set_up(scope)
    bench.faults.inject("no_trigger")
    scope.initiate()
    stop = threading.Event()
    threading.Timer(0.1, stop.set).start()
    assert scope.wait_complete(30.0, stop.is_set) is AcquisitionStatus.WAITING
    assert stop.is_set()


# -- data ---------------------------------------------------------------------------
@pytest.mark.parametrize(("dialect", "code_bits"), WIDTHS)
@pytest.mark.parametrize("offset", [0.0, 1.5])
def test_fetched_volts_are_what_was_converted(bench, dialect, code_bits, offset):
    scope = opened(bench, dialect, code_bits)
    try:
        scope.reset()
        state = set_up(scope)
        scope.configure_channel(ChannelSettings(1, 20.0, offset))
        capture(scope)
        for channel in (1, 2):
            trace = scope.fetch(channel)
            expected, step = true_volts(bench, channel)
            assert trace.codes.dtype == (np.int8 if code_bits == 8 else np.int16)
            assert trace.codes.flags.c_contiguous
            assert trace.codes.shape == expected.shape == (state.record_length,)
            coarse = code_bits < MODELS[dialect].bits  # the wire carries the upper bits only
            assert trace.volts() == pytest.approx(
                expected, abs=trace.gain if coarse else step * 1e-3
            )
            assert np.ptp(trace.codes.astype(int)) > 20
            assert not trace.clipping.clipped
            assert trace.code_low <= trace.codes.min()
            assert trace.codes.max() <= trace.code_high
            assert trace.step == pytest.approx(1 / state.sample_rate, rel=1e-6)
            record = bench.scope.acquisition.record()
            assert trace.start == pytest.approx(record.timing.start + record.lag, abs=1e-12)
            assert trace.bits == MODELS[dialect].bits
            assert trace.preamble
    finally:
        scope.close()


@pytest.mark.parametrize(("dialect", "code_bits"), WIDTHS)
def test_clipping_is_seen_at_both_ends(bench, dialect, code_bits):
    scope = opened(bench, dialect, code_bits)
    try:
        scope.reset()
        set_up(scope, current_range=1.0)
        capture(scope)
        trace = scope.fetch(1)
        assert trace.clipping.high > 0
        assert trace.clipping.low > 0
        assert trace.clipping.holes == 0 or trace.clipping.evidence != "reserved codes"
        assert trace.codes.max() > trace.code_high
        assert trace.codes.min() < trace.code_low
    finally:
        scope.close()


def test_repeats_differ_and_are_whole(scope):
    state = set_up(scope)
    seen = []
    for _ in range(3):
        capture(scope)
        seen.append(scope.fetch(1).codes)
    assert all(codes.size == state.record_length for codes in seen)
    assert not np.array_equal(seen[0], seen[1])
    assert not np.array_equal(seen[1], seen[2])


def test_segments_in_one_arming(scope, bench):
    needs_segments(scope)
    set_up(scope, request=dataclasses.replace(REQUEST, segments=5))
    capture(scope)
    assert scope.acquired_segments() == 5
    times = scope.trigger_times()
    records = bench.scope.acquisition.records
    if times.kind == "instrument":
        true = [r.time - records[0].time for r in records]
        assert times.seconds == pytest.approx(true, abs=1e-8)
    else:
        assert times.kind == "none"
    for segment in (4, 0, 2):
        expected, _ = true_volts(bench, 1, segment)
        trace = scope.fetch(1, segment)
        assert trace.volts() == pytest.approx(expected, abs=trace.gain)
        assert trace.start == pytest.approx(records[segment].timing.start, abs=trace.step)


@pytest.mark.parametrize("segments", [1, 3])
def test_a_setting_lost_in_a_fetch_never_yields_another_trace(scope, bench, segments):
    """The unit ignores one command: the right trace all the same, or one of our errors."""
    if segments > 1:
        needs_segments(scope)
    last = segments - 1
    struck = True
    lost = 0

    def prepare():
        scope.reset()
        set_up(scope, request=dataclasses.replace(REQUEST, segments=segments))
        capture(scope)

    prepare()
    given = values_given(scope, lambda: scope.fetch(1, last))
    while struck:
        prepare()
        if lost % 2:  # once from the state after a reset, once from that after another fetch
            scope.fetch(2)
        bench.faults.struck.clear()
        bench.faults.inject("settings_do_not_stick", after=lost // 2)
        with contextlib.suppress(DriverError):
            trace = scope.fetch(1, last)
            expected, _ = true_volts(bench, 1, last)
            assert trace.volts() == pytest.approx(expected, abs=trace.gain), lost
        bench.faults.clear()
        struck = bool(bench.faults.struck)
        if not scope.link.usable:
            scope.recover()
        lost += 1
    assert lost > 2 * given  # each of them was lost, from both states


def test_segments_that_do_not_come(scope, bench):
    """Asking how many there are so far neither hangs nor breaks the link."""
    needs_segments(scope)
    set_up(scope, request=dataclasses.replace(REQUEST, segments=5))
    capture(scope)  # whose five records must not be counted again
    bench.faults.inject("no_trigger")
    scope.initiate()
    assert scope.wait_complete(0.1) is not AcquisitionStatus.COMPLETE
    assert scope.acquired_segments() == 0
    assert scope.abort()
    assert scope.errors() == ()


# -- faults -------------------------------------------------------------------------
def test_instruments_own_error_becomes_a_complaint(scope, bench):
    bench.faults.inject("error_queue_entries", entries=[(-310, "System error")])
    with pytest.raises(ComplaintError, match=r"reports after setting up channel 1: ") as caught:
        scope.configure_channel(ChannelSettings(1, 1.0))
    assert len(caught.value.errors) == 1
    assert scope.errors() == ()
    scope.configure_channel(ChannelSettings(1, 1.0))


def test_settings_that_do_not_stick_show_in_the_readback(scope, bench):
    before = scope.configure_channel(ChannelSettings(1, 20.0)).vertical_range
    bench.faults.inject("settings_do_not_stick", count=100)
    assert scope.configure_channel(ChannelSettings(1, 1.0)).vertical_range == before


@pytest.mark.parametrize(
    ("fault", "parameters", "error"),
    [
        ("stall_mid_block", {"seconds": 20}, TimedOutError),
        ("close_mid_block", {}, LinkLostError),
        ("close_mid_block", {"reset": True}, LinkLostError),
        ("short_block", {}, DriverError),
        ("wrong_length_header", {"by": -16}, AnswerError),
        ("wrong_length_header", {"by": 16}, DriverError),
        ("garbage", {}, AnswerError),
    ],
    ids=["stall", "fin", "rst", "short", "header too small", "header too large", "garbage"],
)
def test_broken_transfer_stores_nothing_and_is_recovered_from(
    scope, bench, fault, parameters, error
):
    set_up(scope)
    capture(scope)
    bench.faults.inject(fault, **parameters)
    if error in {TimedOutError, DriverError}:  # nothing but the deadline ends these
        scope.link.policy = IMPATIENT
    with pytest.raises(error) as caught:
        scope.fetch(1)
    scope.link.policy = POLICY
    assert caught.value.instrument == scope.link.label
    assert (fault, "scope") in bench.faults.struck
    with pytest.raises(LinkLostError, match="must be reopened"):
        scope.fetch(1)
    scope.recover()
    set_up(scope)
    capture(scope)
    expected, _ = true_volts(bench, 1)
    trace = scope.fetch(1)
    assert trace.volts() == pytest.approx(expected, abs=trace.gain)


def test_another_unit_after_a_reconnect_is_refused(scope, bench):
    bench.faults.inject("wrong_identity_after_reconnect")
    with pytest.raises(AnswerError, match="another instrument answers after reconnecting"):
        scope.recover()
    assert not scope.link.usable


def test_reboot(scope, bench):
    set_up(scope)
    bench.faults.inject("reboot", seconds=0.2)
    with pytest.raises((LinkLostError, TimedOutError)):
        scope.configure_channel(ChannelSettings(1, 1.0))
    scope.recover()
    set_up(scope)
    capture(scope)


def test_slow_link_is_waited_for_as_the_policy_allows(scope, bench):
    """25 000 bytes at 20 kB/s take longer than the time-out of one exchange, which scales."""
    state = set_up(scope)
    capture(scope)
    scope.link.policy = dataclasses.replace(POLICY, timeout=1.0, minimum_rate=10e3)
    bench.faults.inject("slow_link", after=0, count=1000, rate=20e3)
    assert scope.fetch(1).codes.size == state.record_length


def test_busy_to_a_second_client(bench, dialect):
    bench.faults.inject("busy_second_client", count=10)
    with pytest.raises(DriverError, match="scope"):
        opened(bench, dialect)


def test_close_is_final(scope):
    scope.close()
    scope.close()
    with pytest.raises(LinkLostError):
        scope.errors()

"""Arming, waiting, fetching; missed triggers, stops and lost links."""

import itertools
from datetime import UTC, datetime

import pytest

from acquire.errors import InstrumentFault, Interrupted
from acquire.run.acquirer import Acquirer, Retake
from acquire.run.clock import RunClock
from acquire.run.events import Emitter
from acquire.run.setup import ScopeSetup, connections
from acquire.run.stop import StopFlag
from drivers.errors import AnswerError, ComplaintError, TimedOutError
from drivers.scope import AcquisitionStatus, TriggerTimes


@pytest.fixture
def told():
    return []


@pytest.fixture
def make(recipe, bench, told):
    def build(lab):
        setup = ScopeSetup(lab.openers.scope(), recipe.recipe, connections(recipe.recipe, bench))
        setup.configure()
        clock = RunClock(datetime.now(UTC))
        return Acquirer(setup, Emitter(told.append), clock, StopFlag(), bench.bench.retry)

    return build


def names(told):
    return [event.name for event in told]


def test_records_one_by_one(make, lab):
    records = list(make(lab).records(3, "a shot"))

    assert len(records) == 3
    assert lab.count("initiate") == 3
    assert [set(r.traces) for r in records] == [{"lead", "edge"}] * 3
    assert [r.trigger_time for r in records] == sorted(r.trigger_time for r in records)


def test_records_in_segments_with_the_instruments_own_times(make, segmented):
    acquirer = make(segmented)
    acquirer.setup.set_segments(4)

    records = list(acquirer.records(6, "a shot"))

    assert segmented.count("initiate") == 2
    assert len(records) == 6
    times = [record.trigger_time for record in records[:4]]
    apart = [later - earlier for earlier, later in itertools.pairwise(times)]
    assert apart == pytest.approx([1e-6] * 3)


def test_segments_without_times_are_spread_over_their_arming(make, segmented, monkeypatch):
    acquirer = make(segmented)
    acquirer.setup.set_segments(3)
    nothing = TriggerTimes((0.0, 0.0, 0.0), "none")
    monkeypatch.setattr(acquirer.setup.scope, "trigger_times", lambda: nothing)

    times = [r.trigger_time for r in acquirer.records(3, "a shot")]

    assert times == sorted(times)
    assert len(set(times)) == 3


def test_a_missed_trigger_is_armed_again(make, lab, told):
    lab.fail("wait_complete", lambda: AcquisitionStatus.WAITING)

    assert len(list(make(lab).records(2, "a shot"))) == 2

    (event,) = told
    assert event.name == "record_retaken"
    assert event.data["repeat"] == 1
    assert "no trigger within 1 s (try 1 of 3)" in event.data["reason"]
    assert lab.count("abort") == 1


def test_no_trigger_at_all_ends_with_advice(make, lab, told):
    lab.trigger_comes = False

    with pytest.raises(InstrumentFault, match=r"no trigger on edge at 5 V .* 3 tries of 1 s") as e:
        list(make(lab).records(2, "ranging"))

    assert "edge is itself measured" in str(e.value)
    assert names(told) == ["record_retaken"] * 3
    assert lab.count("abort") == 3


def test_slow_events_are_waited_for_as_long_as_they_come(make, segmented):
    acquirer = make(segmented)
    acquirer.setup.set_segments(4)
    for count in (1, 2, 3):
        segmented.fail("wait_complete", lambda: AcquisitionStatus.TRIGGERED)
        segmented.fail("acquired_segments", lambda n=count: n)

    assert len(list(acquirer.records(4, "a shot"))) == 4
    assert segmented.count("initiate") == 1
    assert segmented.count("abort") == 0


def test_events_that_cease_are_a_missed_trigger(make, segmented, told):
    acquirer = make(segmented)
    acquirer.setup.set_segments(4)
    for _ in range(2):
        segmented.fail("wait_complete", lambda: AcquisitionStatus.TRIGGERED)
        segmented.fail("acquired_segments", lambda: 1)

    list(acquirer.records(4, "a shot"))

    assert names(told) == ["record_retaken"]


def test_a_stop_while_waiting_aborts_the_acquisition(make, lab):
    acquirer = make(lab)

    def asked():
        acquirer.stop.request("SIGINT at noon")
        return AcquisitionStatus.WAITING

    lab.fail("wait_complete", asked)

    with pytest.raises(Interrupted, match="SIGINT at noon"):
        list(acquirer.records(1, "a shot"))
    assert lab.count("abort") == 1
    assert lab.count("fetch") == 0


def test_a_stop_is_seen_between_records(make, lab):
    acquirer = make(lab)
    records = acquirer.records(100, "a shot")
    next(records)
    acquirer.stop.request("enough")

    with pytest.raises(Interrupted):
        next(records)


@pytest.mark.parametrize("error", [TimedOutError("late"), AnswerError("odd"), ComplaintError("no")])
def test_after_a_driver_error_the_link_is_reopened_and_the_settings_proven(make, lab, told, error):
    acquirer = make(lab)
    lab.done.clear()

    def broken():
        raise error

    with pytest.raises(Retake, match=error.message):
        acquirer.once("a shot", broken)

    order = [entry[0] for entry in lab.done]
    assert order[:2] == ["scope.recover", "reset"]
    assert "configure_edge_trigger" in order
    assert names(told) == ["instrument_failed", "link_recovered"]
    assert told[0].data["doing"] == "a shot"


def test_what_an_instrument_cannot_do_is_not_tried_again(make, lab, impossible):
    acquirer = make(lab)

    def broken():
        raise impossible

    with pytest.raises(InstrumentFault, match="this cannot be"):
        acquirer.once("a shot", broken)
    assert lab.count("scope.recover") == 0


def test_recovery_is_bounded(make, lab, lost):
    acquirer = make(lab)
    for _ in range(3):
        lab.fail("scope.recover", lost)

    def broken():
        raise lost

    with pytest.raises(InstrumentFault, match="could not be brought back"):
        acquirer.once("a shot", broken)
    assert lab.count("scope.recover") == 3


def test_retrying_gives_up_after_the_bench_s_tries(make, lab, lost):
    acquirer = make(lab)
    calls = []

    def broken():
        calls.append(1)
        if len(calls) < 3:
            raise lost
        return "done"

    assert acquirer.retrying("looking", broken) == "done"

    def hopeless():
        raise lost

    with pytest.raises(InstrumentFault, match="looking: "):
        acquirer.retrying("looking", hopeless)


def test_a_stop_comes_before_a_recovery(make, lab, lost):
    acquirer = make(lab)
    acquirer.stop.request("SIGTERM")

    def broken():
        raise lost

    with pytest.raises(Interrupted):
        acquirer.once("a shot", broken)
    assert lab.count("scope.recover") == 0

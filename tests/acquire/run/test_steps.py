"""The steps in order; relays and ohmmeter tried again; a fixture parked whatever happened."""

from datetime import UTC, datetime

import pytest

from acquire.errors import ContinuityError, InstrumentFault
from acquire.run.acquirer import Acquirer
from acquire.run.capture import Capturer
from acquire.run.clock import RunClock
from acquire.run.events import Emitter
from acquire.run.fixture import relay_fixture
from acquire.run.instruments import opened
from acquire.run.plan import compile_plan
from acquire.run.setup import ScopeSetup, connections
from acquire.run.steps import Execution, shot_name
from acquire.run.stop import StopFlag
from acquire.runfile import RunHeader, Spool
from drivers.errors import LinkLostError, RequestError


@pytest.fixture
def told():
    return []


@pytest.fixture
def execution(lab, recipe, bench, told, tmp_path):
    now = datetime.now(UTC)
    header = RunHeader(
        "run", "site", "r", "t", "0" * 64, "b", "t", "0" * 64, {}, "{}", "0" * 64, "x 1", now
    )
    plan = compile_plan(recipe, bench)
    events = Emitter(told.append)
    with (
        opened(bench, lab.openers) as instruments,
        Spool.create(tmp_path / "run.spool", header) as spool,
    ):
        setup = ScopeSetup(instruments.scope, recipe.recipe, connections(recipe.recipe, bench))
        setup.configure()
        acquirer = Acquirer(setup, events, RunClock(now), StopFlag(), bench.bench.retry)
        fixture = relay_fixture(recipe.recipe, bench.bench, instruments.switch)
        lab.done.clear()
        yield Execution(
            recipe, plan, instruments, fixture, Capturer(acquirer, spool), spool, events
        )


def named(told, name):
    return [event.data for event in told if event.name == name]


def test_every_step_is_told_and_every_shot_is_numbered(execution, told):
    execution.carry_out()

    steps = [data["step"] for data in named(told, "step_started")]
    assert steps == list(range(3, 22))
    names = [entry.name for entry in execution.spool.shots()]
    assert names[:4] == [
        "01_reference_bare",
        "02_target_choke",
        "03_target_core",
        "04_reference_bare",
    ]
    assert all(name.endswith("_floor_off") for name in names[4:])
    left = [data["seconds_left"] for data in named(told, "step_started")]
    assert left == sorted(left, reverse=True)


def test_continuity_is_checked_with_the_candidate_in_before_its_shot(execution, lab):
    execution.carry_out()

    order = [entry[0] for entry in lab.done]
    checked = [entry[1] for entry in lab.done if entry[0] == "resistance_4_wire"]
    states = [frozenset(state) for state in ({101}, {102}, {103}, {101}, {101, 110})]
    assert checked == [state for state in states for _ in range(3)]
    first_candidate = order.index("close_channels")
    checks = order.index("resistance_4_wire", first_candidate)
    assert "initiate" not in order[first_candidate:checks]


def test_a_failed_check_stops_before_the_shot(execution, lab, told):
    lab.resistance = lambda closed: float("inf") if 102 in closed else 0.02

    with pytest.raises(ContinuityError, match="measures open"):
        execution.carry_out()

    assert [e.role for e in execution.spool.shots()] == ["reference"]
    assert named(told, "continuity_measured")[-1]["ohms"] is None


def test_a_bare_relay_that_lies_leaves_the_path_of_before(execution, lab, told):
    # relay 101 says that it is closed, but is not
    lab.closed = {102}
    lab.resistance = lambda closed: 0.02 if closed & {102, 103} else float("inf")

    execution.park()

    assert 102 in lab.closed
    (event,) = named(told, "fixture_unknown")
    assert (
        "measures as open; the channels that were closed before are closed again" in event["error"]
    )
    assert named(told, "fixture_parked") == []


def test_cautions_come_before_each_change(execution, told):
    execution.carry_out()

    names = [event.name for event in told]
    for index, name in enumerate(names):
        if name == "condition_set":
            assert names[index - 1] == "caution"


def test_a_lost_relay_unit_is_reopened_and_its_state_read_anew(execution, lab, told):
    lab.fail("close_channels", LinkLostError("gone", instrument="relay unit (x)"))

    execution.carry_out()

    order = [entry[0] for entry in lab.done]
    failed = order.index("close_channels")
    assert order[failed : failed + 3] == ["close_channels", "switch.recover", "closed_channels"]
    assert named(told, "instrument_failed")[0]["instrument"] == "switch"
    assert named(told, "link_recovered")[0]["instrument"] == "switch"


def test_a_relay_unit_that_stays_lost_is_a_fault(execution, lab):
    for _ in range(3):
        lab.fail("close_channels", LinkLostError("gone"))

    with pytest.raises(InstrumentFault, match=r"gone \(while setting choke\)"):
        execution.carry_out()
    assert lab.count("switch.recover") == 2


def test_what_the_relay_unit_cannot_do_is_not_tried_again(execution, lab):
    lab.fail("close_channels", RequestError("no such relay"))

    with pytest.raises(InstrumentFault, match="no such relay"):
        execution.carry_out()
    assert lab.count("switch.recover") == 0


def test_an_ohmmeter_that_cannot_be_brought_back_is_a_fault(execution, lab):
    lab.fail("resistance_4_wire", LinkLostError("gone"))
    lab.fail("ohmmeter.recover", LinkLostError("still gone"))

    with pytest.raises(InstrumentFault, match=r"still gone \(while checking the continuity of"):
        execution.carry_out()


def test_parking_tells_the_state_it_leaves(execution, lab, told):
    lab.closed = {103, 110}

    execution.park()

    assert lab.closed == {101}
    assert named(told, "fixture_parked") == [{"condition": "bare", "verified": True}]


def test_a_fixture_that_cannot_be_parked_is_told_as_unknown(execution, lab, told):
    for _ in range(3):
        lab.fail("closed_channels", LinkLostError("gone"))

    execution.park()

    assert "treat its protective path as open" in named(told, "fixture_unknown")[0]["error"]


def test_a_relay_that_sticks_while_parking_leaves_the_old_path_closed(execution, lab, told):
    lab.closed = {102}
    for _ in range(3):
        lab.fail("close_channels", lambda: set())  # told to close, nothing closes

    execution.park()

    assert lab.closed == {102}
    assert named(told, "fixture_unknown")


def test_a_jump_of_the_clock_is_told(execution, told, monkeypatch):
    jumps = iter([None, 3600.0])
    monkeypatch.setattr(RunClock, "jump", lambda _self: next(jumps, None))

    execution.carry_out()

    assert named(told, "clock_jumped") == [{"seconds": 3600.0}]


def test_shot_names_sort_as_they_were_taken():
    assert shot_name(0, "reference", "bare") == "01_reference_bare"
    assert shot_name(99, "floor", "off") == "100_floor_off"

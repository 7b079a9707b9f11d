"""How a session ends: as an outcome, with the fixture parked and the log whole."""

import pytest

from acquire.errors import ExitCode, StorageError
from acquire.run.runner import run
from acquire.run.stop import StopFlag, StopNow
from acquire.runfile import Spool
from drivers.errors import LinkLostError


@pytest.fixture
def go(lab, recipe, bench, tmp_path):
    seen = []

    def start(**options):
        outcome = run(
            recipe, bench, tmp_path / "runs", openers=lab.openers, on_event=seen.append, **options
        )
        return outcome, seen

    return start


def names(seen):
    return [event.name for event in seen]


def test_a_transfer_that_an_alarm_ended_is_an_interruption(go, lab):
    stop = StopFlag()

    def hang():
        stop.request("SIGTERM at noon")
        raise StopNow

    lab.fail("fetch", hang, after=30)

    outcome, seen = go(stop=stop)

    assert outcome.exit_code is ExitCode.INTERRUPTED
    assert "SIGTERM at noon" in outcome.reason
    assert lab.closed == {101}
    assert names(seen)[-2:] == ["fixture_parked", "run_interrupted"]


def test_a_relay_unit_that_hangs_while_parking_is_told_as_unknown(go, lab):
    stop = StopFlag()

    def hang():
        raise StopNow

    def broken():
        stop.request("SIGINT")
        lab.fail("closed_channels", hang)
        raise StopNow

    lab.fail("fetch", broken, after=30)

    outcome, seen = go(stop=stop)

    assert outcome.exit_code is ExitCode.INTERRUPTED
    assert names(seen)[-2:] == ["fixture_unknown", "run_interrupted"]
    assert lab.opened == 0


def test_a_defect_of_ours_still_parks_the_relays(go, lab):
    def defect():
        raise ZeroDivisionError

    lab.fail("fetch", defect, after=30)

    with pytest.raises(ZeroDivisionError):
        go()
    assert lab.closed == {101}
    assert lab.opened == 0


def test_a_full_disk_keeps_what_was_stored_and_parks(go, lab, monkeypatch):
    commit = Spool.begin_shot

    def full(spool, header):
        if header.order == 2:
            raise StorageError("disk full: no space left")
        return commit(spool, header)

    monkeypatch.setattr(Spool, "begin_shot", full)

    outcome, _ = go()

    assert outcome.exit_code is ExitCode.FAULT
    assert "disk full" in outcome.reason
    assert "2 shots are kept" in outcome.reason
    assert lab.closed == {101}


def test_a_disk_that_takes_no_event_either_ends_all_the_same(go, lab, monkeypatch):
    from acquire.runfile.eventlog import EventLog

    append, calls = EventLog.append, []

    def full(log, event):
        calls.append(event)
        if len(calls) > 40:
            raise StorageError("disk full: no space left")
        append(log, event)

    monkeypatch.setattr(EventLog, "append", full)

    outcome, seen = go()

    assert outcome.exit_code is ExitCode.FAULT
    assert names(seen)[-1] == "run_faulted"
    assert lab.closed == {101}


def test_a_link_that_fails_between_the_steps_is_an_outcome_too(go, lab, monkeypatch):
    from acquire.run.setup import ScopeSetup

    snapshot, calls = ScopeSetup.snapshot, []

    def failing(setup):
        calls.append(1)
        if len(calls) == 1:
            raise LinkLostError("gone", instrument="scope (x)")
        return snapshot(setup)

    monkeypatch.setattr(ScopeSetup, "snapshot", failing)

    outcome, _ = go()

    assert outcome.exit_code is ExitCode.FAULT
    assert "scope (x): gone" in outcome.reason

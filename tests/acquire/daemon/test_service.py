"""The daemon with real workers on simulated benches: what it does, and what it survives."""

from __future__ import annotations

import json
import os
import signal
from pathlib import Path

import pytest

from acquire.daemon import schedule, schedules
from acquire.daemon.queue import Submission
from acquire.errors import ExitCode
from acquire.runfile import verify


@pytest.fixture
def submit(queue, recipe_text):
    def put(bench="tunnel", **more):
        return queue.submit(Submission("short.yaml", recipe_text, bench, **more)).id

    return put


@pytest.fixture
def ended(queue, wait_until):
    def wait(number):
        wait_until(lambda: queue.run(number).state in ("finished", "cancelled", "parked"))
        return queue.run(number)

    return wait


def names(queue, number=None):
    return [event.name for event in queue.events(run=number, limit=10_000)]


def test_a_queued_run_is_measured_and_its_result_is_stored(bench, serving, submit, ended):
    number = submit()
    serving("--no-http")

    run = ended(number)

    assert (run.state, run.exit_code) == ("finished", ExitCode.OK)
    assert json.loads(run.document)["format"] == "floorshot-result"
    assert not verify(Path(run.path))


def test_a_run_that_needs_a_hand_waits_and_goes_on_after_each_confirm(
    bench, serving, submit, queue, ended, wait_until
):
    number = submit("by_hand")
    serving("--no-http")
    confirmed = []

    def hand():
        gate = queue.gate(number)
        if gate is not None and gate.confirmed_at is None:
            bench.circuit.set_condition(gate.condition)
            queue.confirm(number, "R. Field", condition=gate.condition)
            confirmed.append(gate.condition)
        return queue.run(number).state == "finished"

    wait_until(hand)

    assert confirmed == ["bare", "damped_choke", "bare", "probe_off"]
    assert queue.run(number).exit_code == ExitCode.OK
    assert names(queue, number).count("gate_confirmed") >= 4


def test_a_gate_that_nobody_comes_to_parks_the_run_and_a_confirm_takes_it_up(
    folder, bench, serving, submit, queue, ended, wait_until
):
    (folder.root / "daemon.yaml").write_text("gate_timeout: 0.5 s\n")
    number = submit("by_hand")
    serving("--no-http")

    run = ended(number)
    assert run.state == "parked"
    assert "nobody came" in run.reason
    assert "shot_stored" not in names(queue, number)

    bench.circuit.set_condition("bare")
    queue.confirm(number, "R. Field", condition="bare")
    wait_until(lambda: "shot_stored" in names(queue, number))


def test_a_killed_daemon_loses_no_run_and_takes_it_up_exactly_once(
    bench, serving, submit, queue, ended, wait_until
):
    number = submit()
    first = serving("--no-http")
    wait_until(lambda: "shot_stored" in names(queue, number))
    worker = queue.run(number).worker_pid
    first.kill()
    first.wait(10)
    os.kill(worker, signal.SIGKILL)
    serving("--no-http")

    run = ended(number)

    assert (run.state, run.exit_code, run.attempts) == ("finished", ExitCode.OK, 2)
    assert names(queue, number).count("run_requeued") == 1
    assert "run_resumed" in names(queue, number)


def test_a_worker_that_outlives_its_daemon_is_left_to_end_its_run(
    bench, serving, submit, queue, ended, wait_until
):
    number = submit()
    first = serving("--no-http")
    wait_until(lambda: "shot_stored" in names(queue, number))
    first.kill()
    first.wait(10)
    serving("--no-http")

    run = ended(number)

    assert (run.state, run.attempts) == ("finished", 1)


def test_a_hung_worker_is_ended_at_its_deadline_and_the_run_is_tried_again(
    folder, bench, serving, submit, queue, ended, wait_until
):
    (folder.root / "daemon.yaml").write_text("stall_limit: 6 s\nattempts: 2\n")
    number = submit()
    serving("--no-http")
    wait_until(lambda: "shot_stored" in names(queue, number))
    os.kill(queue.run(number).worker_pid, signal.SIGSTOP)

    run = ended(number)

    assert "worker_stalled" in names(queue, number)
    assert (run.state, run.attempts, run.exit_code) == ("finished", 2, ExitCode.OK)


def test_sigterm_sets_the_run_aside_and_the_next_daemon_goes_on(
    bench, serving, submit, queue, ended, wait_until
):
    number = submit()
    first = serving("--no-http")
    wait_until(lambda: "shot_stored" in names(queue, number))
    first.send_signal(signal.SIGTERM)
    assert first.wait(15) == 0
    assert queue.run(number).state == "parked"
    serving("--no-http")

    wait_until(lambda: queue.run(number).state == "finished")

    assert queue.run(number).exit_code == ExitCode.OK


def test_a_drained_daemon_lets_its_run_end_first(folder, bench, serving, submit, queue, wait_until):
    (folder.root / "daemon.yaml").write_text("on_stop: drain\n")
    number = submit()
    first = serving("--no-http")
    wait_until(lambda: "shot_stored" in names(queue, number))
    first.send_signal(signal.SIGTERM)

    assert first.wait(60) == 0
    assert queue.run(number).state == "finished"


def test_a_cancelled_run_stops_and_keeps_its_shots(
    bench, serving, submit, queue, ended, wait_until
):
    number = submit()
    serving("--no-http")
    wait_until(lambda: "shot_stored" in names(queue, number))
    queue.cancel(number, "me")

    run = ended(number)

    assert run.state == "cancelled"
    assert list(Path(run.spool).glob("shots/*.h5"))


def test_two_daemons_cannot_serve_one_folder(serving, queue, wait_until):
    serving("--no-http")
    wait_until(lambda: "daemon_started" in names(queue))
    second = serving("--no-http")

    assert second.wait(30) == ExitCode.BAD_INPUT
    assert "another daemon serves this state folder" in second.stderr.read()


def test_a_bench_that_is_gone_parks_the_run_in_plain_words(folder, bench, serving, submit, ended):
    number = submit()
    bench.close()
    serving("--no-http")

    run = ended(number)

    assert run.state == "parked"
    assert "instrument fault" in run.reason


def test_two_benches_that_share_a_scope_take_turns(
    folder, bench, serving, submit, queue, wait_until
):
    (folder.benches / "twin.yaml").write_bytes((folder.benches / "tunnel.yaml").read_bytes())
    one, other = submit("tunnel"), submit("twin")
    serving("--no-http")

    wait_until(lambda: queue.run(one).state == "finished" or queue.run(other).state == "finished")

    states = {queue.run(one).state, queue.run(other).state}
    waiting = [run for run in (queue.run(one), queue.run(other)) if run.state == "queued"]
    assert "finished" in states
    assert all("in use by another run" in run.reason for run in waiting)


def test_a_recipe_that_is_wrong_ends_with_its_problems(serving, queue, bench, ended):
    number = queue.submit(Submission("bad.yaml", "floorshot_recipe: 1", "tunnel")).id
    serving("--no-http")

    run = ended(number)

    assert (run.state, run.exit_code) == ("finished", ExitCode.BAD_INPUT)
    assert "bad.yaml" in run.reason


def test_a_schedule_runs_by_itself(bench, serving, queue, recipe_text, wait_until):
    wanted = Submission("short.yaml", recipe_text, "tunnel")
    schedules.add(queue, wanted, schedule.parse("every", "1 s", "UTC"), count=2)
    serving("--no-http")

    wait_until(lambda: len(queue.runs(["finished"])) == 2)

    assert [run.exit_code for run in queue.runs(["finished"])] == [0, 0]

"""The queue against a plain list, with processes that die, and with two daemons at once."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import Bundle, RuleBasedStateMachine, consumes, invariant, rule

from acquire.daemon.queue import Queue, Submission
from acquire.errors import BadInputError, RefusedError


def wanted(bench: str = "tunnel", priority: int = 0, **more: object) -> Submission:
    return Submission("bonding_lead.yaml", "floorshot_recipe: 1", bench, priority, **more)  # type: ignore[arg-type]  # keyword arguments of the test


@pytest.fixture
def queue(tmp_path: Path) -> Iterator[Queue]:
    opened = Queue(tmp_path / "queue.sqlite")
    yield opened
    opened.close()


def names(queue: Queue) -> list[str]:
    return [event.name for event in queue.events()]


def test_the_highest_priority_comes_first_then_the_oldest(queue):
    low, high, also_low = (queue.submit(wanted(priority=p)).id for p in (0, 5, 0))
    order = []
    for _ in range(3):
        run = queue.claim(["tunnel"])
        order.append(run.id)
        queue.finish(run.id, 0, path=None, document=None, reason="")
    assert order == [high, low, also_low]


def test_one_run_at_a_time_on_a_bench_and_side_by_side_on_two(queue):
    for bench in ("tunnel", "tunnel", "annex"):
        queue.submit(wanted(bench))
    assert queue.claim(["tunnel", "annex"]).bench == "tunnel"
    assert queue.claim(["tunnel", "annex"]).bench == "annex"
    assert queue.claim(["tunnel", "annex"]) is None


def test_the_database_itself_refuses_two_active_runs_on_one_bench(queue):
    first, second = (queue.submit(wanted()).id for _ in range(2))
    queue.claim(["tunnel"])
    with pytest.raises(sqlite3.IntegrityError):
        queue.db.execute("UPDATE run SET state = 'running' WHERE id = ?", (second,))
    assert queue.run(first).state == "running"


def test_a_run_is_not_claimed_before_its_time(tmp_path):
    now = [1000.0]
    queue = Queue(tmp_path / "q.sqlite", clock=lambda: now[0])
    queue.submit(wanted(not_before=1500.0))
    assert queue.claim(["tunnel"]) is None
    now[0] = 1500.0
    assert queue.claim(["tunnel"]) is not None
    queue.close()


def test_a_full_queue_refuses_with_the_number(tmp_path):
    queue = Queue(tmp_path / "q.sqlite", capacity=2)
    for _ in range(2):
        queue.submit(wanted())
    with pytest.raises(RefusedError, match="2 runs wait, at most 2"):
        queue.submit(wanted())
    queue.close()


def test_the_same_key_submits_once(queue):
    first = queue.submit(wanted(key="retry-1"))
    assert queue.submit(wanted(key="retry-1")).id == first.id
    assert names(queue) == ["run_queued"]


def test_a_confirm_of_a_parked_run_queues_it_and_the_gate_is_found_confirmed(queue):
    run = queue.submit(wanted())
    queue.claim(["tunnel"])
    queue.open_gate(run.id, "bare", "remove the candidate", ["work dead"])
    queue.park(run.id, "nobody came")
    gate = queue.confirm(run.id, "R. Field", condition="bare")
    assert (gate.confirmed_by, queue.run(run.id).state) == ("R. Field", "queued")
    queue.claim(["tunnel"])
    again = queue.open_gate(run.id, "bare", "remove the candidate", ["work dead"])
    assert again.id == gate.id
    assert again.confirmed_by == "R. Field"


def test_confirming_twice_keeps_the_first_name(queue):
    run = queue.submit(wanted())
    queue.claim(["tunnel"])
    queue.open_gate(run.id, "bare", "remove it", [])
    queue.confirm(run.id, "first")
    assert queue.confirm(run.id, "second").confirmed_by == "first"
    assert names(queue).count("gate_confirmed") == 1


def test_a_confirm_for_another_condition_is_refused(queue):
    run = queue.submit(wanted())
    queue.claim(["tunnel"])
    queue.open_gate(run.id, "probe_off", "take the probe off", [])
    with pytest.raises(BadInputError, match="'probe_off', not for 'bare'"):
        queue.confirm(run.id, "R. Field", condition="bare")


def test_nothing_to_confirm_is_said(queue):
    run = queue.submit(wanted())
    with pytest.raises(BadInputError, match="waits at no gate"):
        queue.confirm(run.id, "R. Field")


def test_cancelling_waits_for_the_process_of_a_running_run(queue):
    waiting, running = queue.submit(wanted("annex")), queue.submit(wanted())
    queue.claim(["tunnel"])
    assert queue.cancel(waiting.id, "me") == "cancelled"
    assert queue.cancel(running.id, "me") == "running"
    assert queue.run(running.id).cancel_requested
    queue.cancelled(running.id, "me")
    with pytest.raises(BadInputError, match="nothing to cancel"):
        queue.cancel(running.id, "me")


def test_a_run_is_given_back_exactly_once(tmp_path):
    path = tmp_path / "queue.sqlite"
    one, other = Queue(path), Queue(path)
    run = one.submit(wanted())
    one.claim(["tunnel"])
    assert [one.give_back(run.id, "died"), other.give_back(run.id, "died")] == [True, False]
    one.close()
    other.close()


def test_events_can_be_read_on_from_any_number(queue):
    run = queue.submit(wanted())
    seen = queue.last_event()
    queue.tell("step_started", run.id, step=3)
    assert [(e.name, e.data) for e in queue.events(seen)] == [("step_started", {"step": 3})]
    assert queue.events(queue.last_event()) == ()


def test_a_newer_file_is_refused_in_words(tmp_path):
    path = tmp_path / "queue.sqlite"
    Queue(path).close()
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(RefusedError, match="queue version 99"):
        Queue(path)


def test_a_file_of_the_first_version_is_brought_up_to_date(tmp_path):
    path = tmp_path / "queue.sqlite"
    queue = Queue(path)
    number = queue.submit(wanted()).id
    for table in ("run", "schedule"):
        queue.db.execute(f"ALTER TABLE {table} DROP COLUMN hands")
    queue.db.execute("PRAGMA user_version = 1")
    queue.close()

    again = Queue(path)
    assert (again.run(number).state, again.run(number).hands) == ("queued", None)
    assert again.run(again.submit(wanted(hands=3)).id).hands == 3
    again.close()


def _worker(path: Path, kills: int) -> None:
    queue = Queue(path)
    while (run := queue.claim(["tunnel"])) is not None:
        if run.attempts == 1 and run.id % 3 == 0 and kills:
            os.kill(os.getpid(), signal.SIGKILL)
        queue.finish(run.id, 0, path=None, document=None, reason="")


@pytest.mark.crash
def test_runs_of_killed_workers_are_found_and_done_exactly_once(tmp_path):
    path = tmp_path / "queue.sqlite"
    queue = Queue(path)
    total = 30
    for _ in range(total):
        queue.submit(wanted())
    context = multiprocessing.get_context("spawn")
    for _ in range(total):
        process = context.Process(target=_worker, args=(path, 1))
        process.start()
        process.join(60)
        assert process.exitcode is not None
        for run in queue.runs(["running"]):
            assert queue.give_back(run.id, "its process died")
        if not queue.runs(["queued", "running"]):
            break
    done = queue.runs(["finished"])
    assert len(done) == total
    assert sum(run.attempts for run in done) == total + total // 3
    assert names(queue).count("run_finished") == total
    assert queue.db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    queue.close()


class QueueAgainstAList(RuleBasedStateMachine):
    """Whatever order things happen in, the queue says what a plain list of states says."""

    runs = Bundle("runs")

    def __init__(self) -> None:
        super().__init__()
        self.queue = Queue(Path(":memory:"))
        self.model: dict[int, str] = {}

    @rule(target=runs, priority=st.integers(-2, 2))
    def submit(self, priority: int) -> int:
        number = self.queue.submit(wanted(priority=priority)).id
        self.model[number] = "queued"
        return number

    @rule()
    def claim(self) -> None:
        run = self.queue.claim(["tunnel"])
        free = "running" not in self.model.values()
        assert (run is not None) == (free and "queued" in self.model.values())
        if run is not None:
            assert self.model[run.id] == "queued"
            self.model[run.id] = "running"

    @rule(number=runs)
    def give_back(self, number: int) -> None:
        was_running = self.model[number] == "running"
        assert self.queue.give_back(number, "died") is was_running
        if was_running:
            self.model[number] = "queued"

    @rule(number=runs)
    def park(self, number: int) -> None:
        was_running = self.model[number] == "running"
        assert self.queue.park(number, "asked") is was_running
        if was_running:
            self.model[number] = "parked"

    @rule(number=runs)
    def unpark(self, number: int) -> None:
        was_parked = self.model[number] == "parked"
        assert self.queue.unpark(number, "asked") is was_parked
        if was_parked:
            self.model[number] = "queued"

    @rule(number=runs, code=st.integers(0, 5))
    def finish(self, number: int, code: int) -> None:
        was_running = self.model[number] == "running"
        ended = self.queue.finish(number, code, path=None, document=None, reason="")
        assert ended is was_running
        if was_running:
            self.model[number] = "finished"

    @rule(number=consumes(runs))
    def cancel(self, number: int) -> None:
        if self.model[number] in ("queued", "parked"):
            assert self.queue.cancel(number, "me") == "cancelled"
            self.model[number] = "cancelled"

    @invariant()
    def same_states(self) -> None:
        every = self.queue.runs(["queued", "running", "parked", "finished", "cancelled"])
        assert {run.id: run.state for run in every} == self.model

    def teardown(self) -> None:
        self.queue.close()


QueueAgainstAList.TestCase.settings = settings(
    max_examples=30, stateful_step_count=30, deadline=None
)
TestQueueAgainstAList = QueueAgainstAList.TestCase

"""What is due becomes one queued run; what was missed or blocked is told, never piled up."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from acquire.daemon import schedule, schedules
from acquire.daemon.queue import Queue, Submission
from acquire.errors import BadInputError

WANTED = Submission("bonding_lead.yaml", "floorshot_recipe: 1", "tunnel", submitted_by="night")


class Clock:
    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def queue(tmp_path: Path, clock: Clock) -> Iterator[Queue]:
    opened = Queue(tmp_path / "queue.sqlite", clock=clock)
    yield opened
    opened.close()


def run_it(queue: Queue) -> None:
    run = queue.claim(["tunnel"])
    assert run is not None
    queue.finish(run.id, 0, path=None, document=None, reason="")


def skipped(queue: Queue) -> list[tuple[object, object]]:
    return [
        (e.data["count"], e.data["why"]) for e in queue.events() if e.name == "schedule_skipped"
    ]


def test_an_interval_queues_one_run_each_time(queue, clock):
    schedules.add(queue, WANTED, schedule.parse("every", "10 min", "UTC"))
    for _ in range(3):
        assert schedules.fire(queue) == 1
        assert schedules.fire(queue) == 0
        run_it(queue)
        clock.now += 600
    assert skipped(queue) == []


def test_a_run_that_has_not_ended_blocks_the_next_and_that_is_told(queue, clock):
    schedules.add(queue, WANTED, schedule.parse("every", "10 min", "UTC"))
    schedules.fire(queue)
    clock.now += 600
    assert schedules.fire(queue) == 0
    assert skipped(queue) == [(1, "run 1 of this schedule has not ended")]


def test_a_night_without_the_daemon_leaves_one_run_and_a_count(queue, clock):
    schedules.add(queue, WANTED, schedule.parse("every", "10 min", "UTC"))
    clock.now += 8 * 3600 + 1
    assert schedules.fire(queue) == 1
    assert [count for count, _ in skipped(queue)] == [48]


def test_a_count_ends_the_schedule(queue, clock):
    one = schedules.add(queue, WANTED, schedule.parse("every", "1 min", "UTC"), count=2)
    for _ in range(4):
        schedules.fire(queue)
        if queue.runs(["queued"]):
            run_it(queue)
        clock.now += 60
    assert len(queue.runs(["finished"])) == 2
    assert schedules.get(queue, one.id).next_at is None


def test_a_clock_step_of_an_hour_neither_runs_early_nor_makes_up(queue, clock):
    schedules.add(queue, WANTED, schedule.parse("every", "10 min", "UTC"))
    schedules.fire(queue)
    run_it(queue)
    for step in (3600.0, -3600.0):
        clock.now += step
        schedules.clock_stepped(queue, step)
        assert schedules.fire(queue) == 0
    clock.now += 600
    assert schedules.fire(queue) == 1
    assert skipped(queue) == []


def test_a_clock_step_moves_a_run_that_was_put_off(queue, clock):
    run = queue.submit(WANTED)
    queue.claim(["tunnel"])
    queue.postpone(run.id, 30.0, "in use by another run")
    clock.now -= 3600
    schedules.clock_stepped(queue, -3600.0)
    assert queue.claim(["tunnel"]) is None
    clock.now += 31
    assert queue.claim(["tunnel"]).id == run.id


def test_a_full_queue_skips_and_says_so(tmp_path, clock):
    queue = Queue(tmp_path / "full.sqlite", clock=clock, capacity=1)
    queue.submit(WANTED)
    schedules.add(queue, WANTED, schedule.parse("every", "10 min", "UTC"))
    assert schedules.fire(queue) == 0
    assert "queue is full" in str(skipped(queue)[0][1])
    queue.close()


def test_two_daemons_fire_one_due_time_once(tmp_path, clock):
    one, other = (Queue(tmp_path / "shared.sqlite", clock=clock) for _ in range(2))
    schedules.add(one, WANTED, schedule.parse("every", "10 min", "UTC"))
    assert schedules.fire(one) + schedules.fire(other) == 1
    one.close()
    other.close()


def test_a_past_moment_and_a_count_of_zero_are_refused(queue):
    with pytest.raises(BadInputError, match="has passed"):
        schedules.add(queue, WANTED, schedule.parse("at", "1969-01-01T00:00", "UTC"))
    with pytest.raises(BadInputError, match="1 or more"):
        schedules.add(queue, WANTED, schedule.parse("every", "1 h", "UTC"), count=0)


def test_ending_a_schedule_twice_is_an_error(queue):
    one = schedules.add(queue, WANTED, schedule.parse("every", "1 h", "UTC"))
    schedules.end(queue, one.id, "me")
    assert schedules.active(queue) == ()
    with pytest.raises(BadInputError, match="ended already"):
        schedules.end(queue, one.id, "me")

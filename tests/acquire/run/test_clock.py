"""Intervals come from the monotonic clock; a jump of the wall clock is told once."""

from datetime import UTC, datetime, timedelta

from acquire.run.clock import RunClock

ZERO = datetime(2026, 3, 1, 12, tzinfo=UTC)


class Clocks:
    def __init__(self):
        self.wall_ahead = timedelta()
        self.seconds = 1000.0

    def wall(self):
        return ZERO + timedelta(seconds=self.seconds - 1000.0 + 5.0) + self.wall_ahead

    def monotonic(self):
        return self.seconds


def test_time_counts_from_the_runs_zero_also_after_a_restart():
    clocks = Clocks()
    clock = RunClock(ZERO, clocks.wall, clocks.monotonic)

    clocks.seconds += 2.5

    assert clock.since_zero() == 7.5
    assert clock.utc() == ZERO + timedelta(seconds=7.5)
    assert clock.since_zero(1001.0) == 6.0


def test_a_jump_of_the_wall_clock_moves_nothing_and_is_told_once():
    clocks = Clocks()
    clock = RunClock(ZERO, clocks.wall, clocks.monotonic)
    assert clock.jump() is None

    clocks.wall_ahead = timedelta(hours=-1)

    assert clock.jump() == -3600.0
    assert clock.jump() is None
    assert clock.since_zero() == 5.0
    assert clock.utc() == ZERO + timedelta(seconds=5)

    clocks.wall_ahead = timedelta()
    assert clock.jump() == 3600.0


def test_slewing_below_a_second_is_no_jump():
    clocks = Clocks()
    clock = RunClock(ZERO, clocks.wall, clocks.monotonic)

    clocks.wall_ahead = timedelta(seconds=0.9)

    assert clock.jump() is None


def test_the_real_clocks_agree():
    clock = RunClock(datetime.now(UTC))

    assert 0 <= clock.since_zero() < 60
    assert clock.jump() is None

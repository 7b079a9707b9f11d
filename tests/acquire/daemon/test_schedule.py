"""Schedules across midnight, missed times, stepped clocks and daylight saving.

The changes of clock are those of Directive 2000/84/EC (last Sunday of March and October,
01:00 UTC); how fixed times behave on those days is documented in Debian's cron(8).
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from acquire.daemon import schedule
from acquire.errors import BadInputError

BERLIN = "Europe/Berlin"


def at(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def utc(when: float | None) -> str:
    assert when is not None
    return datetime.fromtimestamp(when, UTC).isoformat()


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("30 min", 1800), ("2h", 7200), ("90s", 90), ("1.5 h", 5400), ("1 d", 86400)],
)
def test_an_interval_is_read_as_written(text, seconds):
    assert schedule.interval(text) == seconds


@pytest.mark.parametrize("text", ["", "30", "min", "0 s", "-5 min", "5 weeks", "1e999 s", "nan h"])
def test_an_interval_that_makes_no_sense_says_what_to_write(text):
    with pytest.raises(BadInputError, match="30 min"):
        schedule.interval(text)


def test_a_moment_without_offset_is_meant_in_its_zone():
    assert schedule.moment("2026-11-25T22:30", BERLIN).astimezone(UTC).hour == 21
    assert schedule.moment("2026-11-25T22:30+00:00", BERLIN).astimezone(UTC).hour == 22


def test_the_hour_that_spring_leaves_out_is_refused():
    with pytest.raises(BadInputError, match="does not exist"):
        schedule.moment("2026-03-29T02:30", BERLIN)


def test_a_fixed_time_runs_once_in_autumn_and_at_the_next_existing_time_in_spring():
    rule = schedule.parse("cron", "30 2 * * *", BERLIN)
    autumn, _ = schedule.following(rule, at("2026-10-24T12:00"), at("2026-10-24T12:00"))
    assert utc(autumn) == "2026-10-25T00:30:00+00:00"
    after, _ = schedule.following(rule, autumn or 0, autumn or 0)
    assert utc(after) == "2026-10-26T01:30:00+00:00"
    spring, _ = schedule.following(rule, at("2026-03-28T12:00"), at("2026-03-28T12:00"))
    assert utc(spring) == "2026-03-29T01:00:00+00:00"


def test_a_missed_interval_is_counted_and_keeps_its_phase():
    rule = schedule.parse("every", "10 min", "UTC")
    due, missed = schedule.following(rule, 0.0, 3599.0)
    assert (due, missed) == (3600.0, 5)


def test_missed_cron_times_are_counted():
    rule = schedule.parse("cron", "0 * * * *", "UTC")
    due, missed = schedule.following(rule, at("2026-11-25T06:00"), at("2026-11-25T09:30"))
    assert (utc(due), missed) == ("2026-11-25T10:00:00+00:00", 3)


def test_a_clock_that_stood_years_behind_does_not_take_for_ever():
    rule = schedule.parse("cron", "* * * * *", "UTC")
    due, missed = schedule.following(rule, at("1996-11-25T06:00"), at("2026-11-25T09:30:30"))
    assert utc(due) == "2026-11-25T09:31:00+00:00"
    assert missed >= 10_000


def test_only_an_interval_moves_with_a_stepped_clock():
    assert schedule.stepped(schedule.parse("every", "1 h", "UTC"), 100.0, 3600.0) == 3700.0
    assert schedule.stepped(schedule.parse("cron", "0 * * * *", "UTC"), 100.0, 3600.0) == 100.0


def test_a_step_is_told_from_the_passing_of_time():
    watch = schedule.ClockWatch(wall=1000.0, monotonic=5.0)
    assert watch.step(1060.0, 65.0) == 0.0
    assert watch.step(1060.0 + 3660.0, 125.0) == pytest.approx(3600.0)
    assert watch.step(1060.0 + 3720.0, 185.0) == 0.0


@pytest.mark.parametrize("text", ["", "* * *", "99 * * * *", "hourly", "0 0 31 2 *"])
def test_a_cron_expression_that_never_comes_is_refused(text):
    with pytest.raises(BadInputError, match="cron"):
        schedule.parse("cron", text, "UTC")


def test_an_unknown_zone_is_refused():
    with pytest.raises(BadInputError, match="Nowhere/Land"):
        schedule.parse("cron", "0 * * * *", "Nowhere/Land")


def test_a_new_interval_is_due_at_once_and_a_past_moment_never():
    assert schedule.first(schedule.parse("every", "1 h", "UTC"), 50.0) == 50.0
    assert (
        schedule.first(schedule.parse("at", "1996-01-01T00:00", "UTC"), at("2026-01-01T00:00"))
        is None
    )

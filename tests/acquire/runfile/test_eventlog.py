import errno
import json
import os
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquire.errors import StorageError
from acquire.runfile import Event, EventLog
from acquire.runfile.eventlog import DAMAGED, LONGEST_DATA

AT = datetime(2025, 3, 4, 9, 15, tzinfo=UTC)
EVENTS = [Event(f"step_{i}", AT + timedelta(seconds=i), {"n": i, "t": "µ\n"}) for i in range(5)]


@pytest.fixture
def log(tmp_path):
    log = EventLog(tmp_path / "events.jsonl", writable=True)
    for event in EVENTS:
        log.append(event)
    log.sync()
    yield log
    log.close()


def test_events_come_back_in_order(log):
    assert log.read() == EVENTS


def test_each_line_is_json_by_itself_and_there_at_once(log):
    lines = [json.loads(line) for line in log.path.read_text().splitlines()]

    assert [line["name"] for line in lines] == [e.name for e in EVENTS]
    assert lines[0]["at"] == "2025-03-04T09:15:00.000000Z"
    assert lines[3]["data"] == {"n": 3, "t": "µ\n"}


@pytest.mark.parametrize("cut", [1, 2, 20, 60])
def test_a_torn_last_line_is_tolerated_and_removed_before_going_on(log, cut):
    log.close()
    log.path.write_bytes(log.path.read_bytes()[:-cut])

    reading = EventLog(log.path, writable=False)
    assert reading.torn
    assert reading.read() == EVENTS[:4]

    going_on = EventLog(log.path, writable=True)
    going_on.append(EVENTS[4])
    assert going_on.torn
    assert going_on.read() == EVENTS
    going_on.close()


@settings(max_examples=150, deadline=None)
@given(position=st.integers(0, 10_000), bit=st.integers(0, 7))
def test_any_flipped_bit_shows(tmp_path_factory, position, bit):
    path = tmp_path_factory.mktemp("log") / "events.jsonl"
    log = EventLog(path, writable=True)
    for event in EVENTS:
        log.append(event)
    log.close()
    data = bytearray(path.read_bytes())
    data[position % len(data)] ^= 1 << bit
    path.write_bytes(data)

    damaged = EventLog(path, writable=False)
    names = [event.name for event in damaged.read()]

    assert DAMAGED in names or damaged.torn


def test_a_missing_line_shows(log):
    lines = log.path.read_bytes().splitlines(keepends=True)
    log.path.write_bytes(b"".join(lines[:2] + lines[3:]))

    assert EventLog(log.path, writable=False).read()[2] == Event(DAMAGED, EVENTS[1].at, {"line": 3})


def test_nothing_that_an_event_holds_can_stop_a_run(log):
    log.append(Event("odd", AT, {"a": float("nan"), "b": object, "c": "\udc80", "d": {1, 2}}))
    log.append(Event("long", AT, {"text": "µ" * 3 * LONGEST_DATA}))

    odd, long = log.read()[-2:]
    assert odd.data["a"] is None
    assert odd.data["c"] == "?"
    assert long.data["cut_at"] == LONGEST_DATA // 4
    with pytest.raises(ValueError, match="event name 'Not this'"):
        log.append(Event("Not this", AT))


def test_a_line_that_a_full_disk_cut_is_not_left_in_the_way(log, monkeypatch):
    real = os.pwrite

    def full(fd, data, position):
        real(fd, bytes(data)[:7], position)
        raise OSError(errno.ENOSPC, "no space")

    with monkeypatch.context() as patch:
        patch.setattr(os, "pwrite", full)
        with pytest.raises(StorageError, match="writing the event log failed: the disk is full"):
            log.append(Event("lost", AT, {"n": "x" * 500}))
    log.append(Event("kept", AT))

    assert [event.name for event in log.read()][5:] == ["kept"]
    assert not EventLog(log.path, writable=False).torn

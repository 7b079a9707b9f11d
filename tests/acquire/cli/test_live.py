"""What a watch shows of a shot under way, with and without a terminal."""

from __future__ import annotations

import pytest

from acquire.cli.live import Watcher, live_lines, span
from acquire.daemon.store import StoredEvent

RECORD = {
    "shot": "02_target_choke",
    "repeat": 7,
    "repeats": 20,
    "peaks": {"lead_current": 0.0123, "inverter_edge": 4.0},
    "floor_margin_db": {"lead_current": 14.26, "inverter_edge": None},
    "seconds_left": 200.0,
}
EVENTS = [
    ("step_started", {"step": 5, "steps": 9, "kind": "capture", "text": "the target shot"}),
    ("shot_started", {"shot": "02_target_choke", "ranges": {"lead_current": 0.05}}),
    ("record_taken", RECORD),
    ("gate_opened", {"condition": "probe_off"}),
    ("shot_stored", {"shot": "02_target_choke", "ranges": {"lead_current": 0.05}, "seconds": 1.0}),
    ("step_started", {"step": 8, "steps": 9, "kind": "analyse", "text": "compute the attenuation"}),
]


def watch(animated):
    with Watcher(3, animated=animated) as show:
        for number, (name, data) in enumerate(EVENTS, 1):
            show(StoredEvent(number, 3, 1.7e9, name, data))


def test_where_a_shot_stands_is_said_by_quantity():
    assert live_lines(RECORD, {"lead_current": 0.05}) == [
        "02_target_choke: record 7 of 20; about 3 min left",
        "lead_current: peak 12.3 mV, range 50.0 mV, 14.3 dB above the floor",
        "inverter_edge: peak 4.00 V",
    ]
    assert live_lines({"shot": "s", "repeat": 1, "repeats": 4}, {}) == ["s: record 1 of 4"]


def test_a_terminal_is_shown_peak_range_margin_and_time_left(capsys, monkeypatch):
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "120")
    watch(animated=True)

    shown = capsys.readouterr().out
    for words in ("step 5 of 9: the target shot", "14.3 dB above the floor", "about 3 min left",
                  "waits for a hand: set probe_off", "shot 02_target_choke stored"):  # fmt: skip
        assert words in shown


def test_a_pipe_gets_plain_lines(capsys):
    watch(animated=False)

    shown = capsys.readouterr()
    assert shown.err == ""  # what was asked for goes where a pipe takes it from
    assert "\x1b" not in shown.out
    lines = shown.out.splitlines()
    assert lines[0] == "step 5 of 9: the target shot"
    assert lines[1] == "waits for a hand: set probe_off, then 'floorshot confirm 3'"
    assert "shot 02_target_choke stored" in lines[2]
    assert lines[3] == "step 8 of 9: compute the attenuation"
    assert len(lines) == 4


@pytest.mark.parametrize(("seconds", "words"), [(45.0, "45 s"), (720, "12 min"), (12600, "3.5 h")])
def test_a_span_for_people(seconds, words):
    assert span(seconds) == words
